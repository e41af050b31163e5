package web_test

import (
	"strings"
	"testing"
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
