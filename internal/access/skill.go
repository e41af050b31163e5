package access

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Evidence is what shows that somebody has a skill: a licence, a course, a signed check.
type Evidence struct {
	ID           uuid.UUID
	ActorID      uuid.UUID
	Skill        string // a code of the table skill, such as EL
	SkillName    string
	Evidence     string
	IssuedOn     time.Time  // a date
	ExpiresOn    *time.Time // the last day on which it holds; nil is for good
	RecordedAt   time.Time
	WithdrawnAt  *time.Time
	WithdrawnWhy *string
}

// NewEvidence is what it takes to record evidence. Dates are YYYY-MM-DD.
type NewEvidence struct {
	Skill     string
	Evidence  string
	IssuedOn  string
	ExpiresOn *string // nil is for good
}

const evidence = `
select e.id, e.actor_id, e.skill, s.name as skill_name, e.evidence, e.issued_on, e.expires_on, e.recorded_at, e.withdrawn_at, e.withdrawn_why
  from skill_evidence as e
  join skill as s on s.code = e.skill`

// AddEvidence records evidence of a skill.
func AddEvidence(tx *gorm.DB, who Actor, now time.Time, actor uuid.UUID, in NewEvidence) (Evidence, error) {
	if err := who.Must(Administer); err != nil {
		return Evidence{}, err
	}
	if _, err := time.Parse(time.DateOnly, in.IssuedOn); err != nil {
		return Evidence{}, fault.Field("issued_on", in.IssuedOn, "is a date, YYYY-MM-DD")
	}
	if in.ExpiresOn != nil {
		if _, err := time.Parse(time.DateOnly, *in.ExpiresOn); err != nil {
			return Evidence{}, fault.Field("expires_on", *in.ExpiresOn, "is a date, YYYY-MM-DD, the last day on which it holds")
		}
	}
	id := pgdb.NewID()
	err := tx.Exec(`
insert into skill_evidence (id, actor_id, skill, evidence, issued_on, expires_on, recorded_at, recorded_by)
values (@id, @actor, @skill, @evidence, cast(@issued as date), cast(@expires as date), @now, @who)`,
		map[string]any{"id": id, "actor": actor, "skill": in.Skill, "evidence": strings.TrimSpace(in.Evidence), "issued": in.IssuedOn,
			"expires": in.ExpiresOn, "now": now, "who": who.ID}).Error
	if err != nil {
		return Evidence{}, err
	}
	return pgdb.One[Evidence](tx, "evidence", id.String(), evidence+` where e.id = @id`, map[string]any{"id": id})
}

// WithdrawEvidence takes evidence back that should not have been recorded. It is
// kept with the reason and shows nothing any more.
func WithdrawEvidence(tx *gorm.DB, who Actor, now time.Time, actor, id uuid.UUID, reason string) (Evidence, error) {
	if err := who.Must(Administer); err != nil {
		return Evidence{}, err
	}
	if reason = strings.TrimSpace(reason); reason == "" {
		return Evidence{}, fault.Field("reason", reason, "must not be blank")
	}
	r := tx.Exec(`update skill_evidence set withdrawn_at = ?, withdrawn_why = ? where id = ? and actor_id = ? and withdrawn_at is null`, now, reason, id, actor)
	if r.Error != nil {
		return Evidence{}, r.Error
	}
	it, err := pgdb.One[Evidence](tx, "evidence", id.String(), evidence+` where e.id = @id and e.actor_id = @actor`, map[string]any{"id": id, "actor": actor})
	if err == nil && r.RowsAffected == 0 {
		err = &fault.Error{Kind: fault.Conflict, Field: "evidence", Value: it.Evidence, Msg: "was withdrawn already: " + *it.WithdrawnWhy}
	}
	return it, err
}

// EvidenceOf lists what shows the skills of somebody, the latest first; one sees
// one's own, and whoever administers sees everybody's.
func EvidenceOf(ctx context.Context, db *pgdb.DB, who Actor, actor uuid.UUID) ([]Evidence, error) {
	if who.ID != actor {
		if err := who.Must(Administer); err != nil {
			return nil, err
		}
	}
	return pgdb.Read[Evidence](ctx, db, who.ID, evidence+` where e.actor_id = @actor order by e.issued_on desc, e.id`, map[string]any{"actor": actor})
}
