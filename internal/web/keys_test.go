package web_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
)

// mostStops is how often Tab is pressed at most to come to something on a page.
const mostStops = 150

// tabTo presses Tab until what has the focus is what the expression over it, e, says, and
// holds that whoever sees it knows where they are.
func tabTo(t *testing.T, in context.Context, is string) {
	t.Helper()
	for range mostStops {
		run(t, in, chromedp.KeyEvent("\t"))
		if eval[bool](t, in, `(e => !!e && e !== document.body && (`+is+`))(document.activeElement)`) {
			if !eval[bool](t, in, `(e => e.matches(":focus-visible") && (s => s.outlineStyle !== "none" && parseFloat(s.outlineWidth) > 0 || s.boxShadow !== "none")(getComputedStyle(e)))(document.activeElement)`) {
				t.Errorf("the focus on %s is not seen", is)
			}
			return
		}
	}
	t.Fatalf("Tab does not come to %s: %s", is, eval[string](t, in, `document.body.innerText`))
}

// A job card from opening to signing off with the keyboard alone: Tab, blank, return, and
// what is typed (WCAG 2.2, https://www.w3.org/TR/WCAG22/, success criteria 2.1.1 Keyboard and
// 2.4.7 Focus Visible; from memory).
func TestAJobCardIsWorkedDownByKeyboard(t *testing.T) {
	root := browser(t)
	b := newBench(t)
	minutes := pm.Minutes{Low: 5, Typical: 10, High: 20}
	write(t, b.db, func(tx *gorm.DB) (int, error) {
		ids, err := pm.AddProcedures(tx, access.System, now, []pm.NewProcedure{{Code: "J09", Title: "Grease the bearing"}})
		if err != nil {
			return 0, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"T2"}, Minutes: minutes, LineState: "closed_hours", Energies: []string{"electrical"},
			Checks: []pm.Check{{Code: "PLAY", Prompt: "Play at the shaft", Kind: "number", Unit: "mm", FailHigh: new(2.0)}},
			Steps: []pm.Step{{Kind: "isolate", Says: "Own lock on.", Hold: true}, {Kind: "prove_dead", Says: "Prove it.", Hold: true, Skills: []string{"AU"}},
				{Kind: "do", Says: "Grease it.", Records: "anti-seize"}, {Kind: "measure", Says: "Measure the play.", Check: "PLAY"}, {Kind: "restore", Says: "Locks off, tell the staff.", Hold: true}}}}})
		if err != nil {
			return 0, err
		}
		return 0, pm.Publish(tx, access.System, now, v)
	})
	task := write(t, b.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.RaiseTask(tx, access.System, now, pm.NewTask{SiteID: &b.site.ID, LineID: &b.line.ID, PositionID: &b.left.ID, Procedure: "J09", Criticality: "B", DueOn: calendar.DateOf(now)})
	})
	in := tab(t, root, b.house, b.link(t, b.technician))
	run(t, in, size(1440, 900, false), chromedp.Navigate(b.URL+"/tasks/"+task.String()+"/job"))
	// sent presses return on what has the focus, a minute later, and waits for the page that follows
	sent := func() {
		t.Helper()
		b.ahead.Add(int64(time.Minute))
		follows(t, in, chromedp.KeyEvent("\r"))
	}
	press := func(words string) {
		t.Helper()
		tabTo(t, in, `e.matches("button, a.button") && e.textContent.trim().startsWith("`+words+`")`)
		sent()
	}
	tick := func(acts ...string) {
		t.Helper()
		for _, act := range acts {
			tabTo(t, in, `e.type === "checkbox" && e.name === "`+act+`"`)
			run(t, in, chromedp.KeyEvent(" "))
		}
	}
	typed := func(field, text string) {
		t.Helper()
		tabTo(t, in, `e.name === "`+field+`"`)
		run(t, in, chromedp.KeyEvent(text))
	}
	press("Open the card")
	tick("prepared", "told", "shut_down", "isolated", "locked", "relieved", "proved")
	typed("how", "start tried, 0 V")
	typed("instrument", "tester 3")
	press("Declare")
	press("Done: J09 1")
	press("Done: J09 2")
	tabTo(t, in, `e.type === "radio" && e.name === "value_anti_seize"`)
	run(t, in, chromedp.KeyEvent(" "))
	press("Done: J09 3")
	typed("found", "0.4")
	press("Done: J09 4")
	tick("inspected", "clear", "unlocked")
	press("Declare")
	tick("told_after", "restored")
	press("Declare")
	press("Done: J09 5")
	press("Sign off")
	typed("handed_to", "Pat")
	press("Sign off")
	words := eval[string](t, in, `document.body.innerText`)
	for _, want := range []string{"Signed off", "handed over to Pat", "5 steps answered"} {
		if !strings.Contains(words, want) {
			t.Errorf("the card does not say %q: %s", want, words)
		}
	}
	n, err := pgdb.Read[struct{ N int }](ctx, b.db, access.System.ID, `select count(*)::int as n from completion where task_id = @task`, map[string]any{"task": task})
	if err != nil || n[0].N != 1 {
		t.Errorf("completed is %v, %v", n, err)
	}
}
