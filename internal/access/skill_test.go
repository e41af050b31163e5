package access_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestEvidenceOfASkillIsRecordedAndWithdrawn(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	wilma, _ := addManager(t, db, "wilma")
	tom := load(t, db, addPerson(t, db, "tom", access.NewGrant{Role: "technician"}).ID)
	add := func(who access.Actor, in access.NewEvidence) (access.Evidence, error) {
		return pgtest.Write(db, who, func(tx *gorm.DB) (access.Evidence, error) { return access.AddEvidence(tx, who, now, tom.ID, in) })
	}
	until := "2026-03-31"
	el, err := add(wilma, access.NewEvidence{Skill: "EL", Evidence: " licence 4711 ", IssuedOn: "2024-04-01", ExpiresOn: &until})
	if err != nil || el.Skill != "EL" || el.SkillName != "Licensed electrician" || el.Evidence != "licence 4711" || el.IssuedOn.Format(time.DateOnly) != "2024-04-01" ||
		el.ExpiresOn.Format(time.DateOnly) != until || !el.RecordedAt.Equal(now) || el.ActorID != tom.ID {
		t.Fatalf("recorded %+v, %v", el, err)
	}
	au, err := add(wilma, access.NewEvidence{Skill: "AU", Evidence: "walked through by Wilma", IssuedOn: "2025-01-10"})
	if err != nil || au.ExpiresOn != nil {
		t.Fatalf("recorded %+v, %v", au, err)
	}
	bad, before := "soon", "2023-01-01"
	for what, c := range map[string]struct {
		in    access.NewEvidence
		field string
	}{
		"no skill":          {access.NewEvidence{Skill: "XX", Evidence: "x", IssuedOn: "2025-01-10"}, "skill"},
		"blank":             {access.NewEvidence{Skill: "EL", Evidence: " ", IssuedOn: "2025-01-10"}, "evidence"},
		"no date":           {access.NewEvidence{Skill: "EL", Evidence: "x", IssuedOn: "2025-02-30"}, "issued_on"},
		"no end":            {access.NewEvidence{Skill: "EL", Evidence: "x", IssuedOn: "2025-01-10", ExpiresOn: &bad}, "expires_on"},
		"ended before":      {access.NewEvidence{Skill: "EL", Evidence: "x", IssuedOn: "2025-01-10", ExpiresOn: &before}, "expires_on"},
		"a nil day, in all": {access.NewEvidence{Skill: "EL", Evidence: "x"}, "issued_on"},
	} {
		_, err := add(wilma, c.in)
		pgtest.Refused(t, what, err, fault.Invalid, c.field)
	}
	_, err = add(tom, access.NewEvidence{Skill: "EL", Evidence: "I say so", IssuedOn: "2025-01-10"})
	pgtest.Refused(t, "of oneself", err, fault.Forbidden, "")
	pretender := tom
	pretender.Capabilities = access.System.Capabilities
	_, err = add(pretender, access.NewEvidence{Skill: "EL", Evidence: "I say so", IssuedOn: "2025-01-10"})
	pgtest.Refused(t, "of oneself past the check", err, fault.Forbidden, "")
	_, err = pgtest.Write(db, wilma, func(tx *gorm.DB) (access.Evidence, error) {
		return access.AddEvidence(tx, wilma, now, uuid.New(), access.NewEvidence{Skill: "EL", Evidence: "x", IssuedOn: "2025-01-10"})
	})
	pgtest.Refused(t, "of nobody", err, fault.NotFound, "")

	withdraw := func(who access.Actor, id uuid.UUID, why string) (access.Evidence, error) {
		return pgtest.Write(db, who, func(tx *gorm.DB) (access.Evidence, error) {
			return access.WithdrawEvidence(tx, who, now, tom.ID, id, why)
		})
	}
	_, err = withdraw(tom, el.ID, "x")
	pgtest.Refused(t, "withdrawing as a technician", err, fault.Forbidden, "")
	_, err = withdraw(wilma, el.ID, " ")
	pgtest.Refused(t, "without a reason", err, fault.Invalid, "reason")
	_, err = withdraw(wilma, uuid.New(), "x")
	pgtest.Refused(t, "no such evidence", err, fault.NotFound, "")
	if got, err := withdraw(wilma, el.ID, "of another Tom"); err != nil || *got.WithdrawnWhy != "of another Tom" || !got.WithdrawnAt.Equal(now) {
		t.Errorf("withdrawn %+v, %v", got, err)
	}
	_, err = withdraw(wilma, el.ID, "again")
	pgtest.Refused(t, "twice", err, fault.Conflict, "evidence")
	all, err := access.EvidenceOf(ctx, db, tom, tom.ID)
	if err != nil || len(all) != 2 || all[0].ID != au.ID || all[1].WithdrawnAt == nil {
		t.Errorf("one sees of oneself %+v, %v", all, err)
	}
	if all, err = access.EvidenceOf(ctx, db, wilma, tom.ID); err != nil || len(all) != 2 {
		t.Errorf("a manager sees %+v, %v", all, err)
	}
	_, err = access.EvidenceOf(ctx, db, tom, wilma.ID)
	pgtest.Refused(t, "another's", err, fault.Forbidden, "")
	held, err := pgdb.Read[struct{ Skill string }](ctx, db, tom.ID, `select skill from skill_now where actor_id = @tom and holds_until >= @day order by 1`, map[string]any{"tom": tom.ID, "day": now})
	if err != nil || len(held) != 1 || held[0].Skill != "AU" {
		t.Errorf("held are %v, %v", held, err)
	}
}
