package httpapi_test

import (
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
)

// revokeAll ends every token of a program.
func (s *service) revokeAll(program uuid.UUID) {
	s.t.Helper()
	all, err := access.Tokens(ctx, s.db, access.System, program)
	if err != nil {
		s.t.Fatal(err)
	}
	for _, t := range all {
		s.as(func(tx *gorm.DB) error {
			_, err := access.RevokeToken(tx, access.System, s.now, program, t.ID)
			return err
		})
	}
}

// disable shuts a program out.
func (s *service) disable(program uuid.UUID) {
	s.t.Helper()
	a, err := access.OneAccount(ctx, s.db, access.System, program)
	if err != nil {
		s.t.Fatal(err)
	}
	s.as(func(tx *gorm.DB) error {
		_, err := access.EditAccount(tx, access.System, s.now, program, a.Version, a.Name, true)
		return err
	})
}

// capabilities gives what each role bundles, as the database has it.
func (s *service) capabilities() map[string]map[string]bool {
	s.t.Helper()
	roles, err := access.Roles(ctx, s.db, access.System)
	if err != nil {
		s.t.Fatal(err)
	}
	all := map[string]map[string]bool{}
	for _, r := range roles {
		all[r.Code] = map[string]bool{}
		for _, c := range r.Capabilities {
			all[r.Code][c] = true
		}
	}
	return all
}

// statements gives how many the door has counted so far.
func (s *service) statements(t testing.TB) (sum float64) {
	t.Helper()
	all, err := s.counts.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.GetName() == "spindlebook_request_statements" {
			for _, m := range f.GetMetric() {
				sum += m.GetHistogram().GetSampleSum()
			}
		}
	}
	return sum
}
