package web_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
)

// Whoever plans sees on the overview what stands still, which visits cannot go and why, what
// must be ordered, and the weeks ahead with the parts for their visits; nobody else does.
func TestTheBoardSaysWhatNeedsThePlanner(t *testing.T) {
	h := demoHouse(t)
	asked := []string{"Faults that stand", "Visits that cannot go as they are", "To order within three days", "Twelve weeks"}
	body := h.as(t, someone(t, h, "manager")).get("/").body
	for _, text := range append(asked, `class="bar missing"`, `class="bar there"`, "the visit lacks parts", "the last day was", "<strong class=\"warn\">no-go</strong>") {
		if !strings.Contains(body, text) {
			t.Errorf("the board does not say %q", text)
		}
	}
	for _, role := range []string{"technician", "owner", "site_staff"} {
		body := h.as(t, someone(t, h, role)).get("/").body
		for _, text := range asked {
			if strings.Contains(body, text) {
				t.Errorf("a %s reads %q", role, text)
			}
		}
	}
}

// visits puts visits of a day into the books, as they stand.
func (r *rounds) visits(t testing.TB, n int, state string, on calendar.Date) {
	t.Helper()
	write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return uuid.Nil, tx.Exec(`
insert into visit (id, site_id, state, origin, on_date, starts_at, ends_at, made_at, made_by, ended_at, ended_by, reason, ended_why)
select gen_random_uuid(), @site, @state, 'hand', d.on_date, d.on_date + interval '15 hours', d.on_date + interval '16 hours', @now, @who,
       case when e.ended then cast(@now as timestamptz) end, case when e.ended then cast(@who as uuid) end, case when e.ended then 'weather' end, case when e.ended then 'snow' else '' end
  from (select cast(@on as date)) as d (on_date), (select @state = 'abandoned') as e (ended), generate_series(1, @n)`,
			map[string]any{"site": r.site.ID, "state": state, "on": on.String(), "now": now, "who": access.System.ID, "n": n}).Error
	})
}

// What has ended takes no place from what is to come, on the overview, in the list and of
// what is wanted; where more is to come than is looked at, the overview says so.
func TestTheBoardLooksAtWhatIsToCome(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	r.visits(t, 110, "abandoned", r.on-1)
	board := r.asManager.get("/")
	visitSays(t, "the overview", board, "Visits that cannot go as they are", "no-go :", "empty: no visit is made for that week yet.")
	visitSays(t, "what is wanted", r.asManager.get("/stock/wanted"), "1 ea MW-20110")
	visitSays(t, "the list", r.asManager.get("/visits"), "no-go")
	for _, text := range []string{"All visits", "which alone are looked at"} {
		if strings.Contains(wordsOf(t, board.body), text) {
			t.Errorf("with every visit looked at, the overview says %q", text)
		}
	}
	r.visits(t, 81, "planned", r.on-1) // nobody goes on them and nothing is done: nothing is against them
	board = r.asManager.get("/")
	visitSays(t, "with too many", board, "Visits that cannot go as they are None of the first 80 visits, which alone are looked at. All visits", "empty: no visit is made for that week yet, or it comes after the first 80, which alone are looked at.")
	if strings.Contains(wordsOf(t, board.body), "no-go") {
		t.Error("a visit after the first 80 is looked at: the test says nothing")
	}
}
