package web_test

import (
	"net/http"
	"net/url"
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
)

// A job card from opening to its first entries, by the forms alone.
func TestAJobCardIsWorkedDownByPage(t *testing.T) {
	h := demoHouse(t)
	all, err := assets.Positions(ctx, h.db, access.System, assets.PositionFilter{}, assets.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	var position assets.Position
	for _, q := range all {
		if q.Code == "UMB-1/SBL-D" {
			position = q
		}
	}
	tom := someone(t, h, "technician")
	v := h.as(t, tom)
	form := v.form("/positions/" + position.ID.String() + "/job")
	form.Set("work", "J01")
	got := v.post("/positions/"+position.ID.String()+"/job", form)
	if got.status != http.StatusSeeOther {
		t.Fatalf("opened: %d %s", got.status, got.body)
	}
	path := got.head.Get("Location")
	page := v.get(path)
	if page.status != 200 {
		t.Fatalf("%s: %d %s", path, page.status, page.body)
	}
	tidy(t, path, page.body)
	for _, words := range []string{"it must turn", "Before hands go in", "Opens after BLK-PRE 2", "hold point", "tells nobody that hands may go in", "Shared."} {
		if !strings.Contains(page.body, words) {
			t.Errorf("the card does not say %q", words)
		}
	}
	for _, words := range []string{"successfully", ">safe", "is safe", "SAFE"} {
		if strings.Contains(page.body, words) {
			t.Errorf("the card says %q", words)
		}
	}
	// the first point: six ticks and a lock, each sent by itself; sent twice it is there once
	post := regexp.MustCompile(`action="(/jobs/[^"]+/points/[^"]+)"`).FindStringSubmatch(page.body)
	keys := regexp.MustCompile(`name="(key_[a-z_]+)" value="([^"]+)"`).FindAllStringSubmatch(strings.SplitN(page.body, post[1], 2)[1], 7)
	send := url.Values{"key": {keys[0][2]}, "version": {"1"}, "prepared": {"yes"}, "told": {"yes"}, "shut_down": {"yes"}, "isolated": {"yes"}, "locked": {"yes"}}
	for _, k := range keys {
		send.Set(k[1], k[2])
	}
	for range 2 {
		if got := v.post(post[1], send); got.status != http.StatusSeeOther {
			t.Fatalf("declared: %d %s", got.status, got.body)
		}
	}
	if page = v.get(path); strings.Count(page.body, "Lock of <strong>") != 1 || !strings.Contains(page.body, "being isolated, not yet proved") {
		t.Error("the lock does not stand on the card once")
	}
	if got := v.post(post[1], url.Values{"key": {keys[0][2]}, "version": {"1"}}); got.status != http.StatusUnprocessableEntity {
		t.Errorf("nothing ticked: %d", got.status)
	}
	// a step: not possible without a word is refused, done is kept
	step := regexp.MustCompile(`action="(/jobs/[^"]+/steps/[^"]+)".*?name="key" value="([^"]+)"`).FindStringSubmatch(page.body)
	answer := url.Values{"key": {step[2]}, "version": {"2"}, "outcome": {"not_possible"}}
	if got := v.post(step[1], answer); got.status != http.StatusUnprocessableEntity {
		t.Errorf("not possible without a word: %d", got.status)
	}
	answer.Set("outcome", "done")
	answer.Set("with", "Sam")
	if got := v.post(step[1], answer); got.status != http.StatusSeeOther {
		t.Fatalf("answered: %d %s", got.status, got.body)
	}
	if page = v.get(path); !strings.Contains(page.body, "with Sam") {
		t.Error("the answer is not on the card")
	}
	for _, form := range []string{"/swap", "/part", "/exchange", "/add", "/stop"} {
		if got := v.get(path + form); got.status != 200 {
			t.Errorf("%s: %d", form, got.status)
		}
	}
	if got := v.get(path + "/sign"); got.status != http.StatusOK && got.status != http.StatusUnprocessableEntity {
		t.Errorf("sign: %d", got.status)
	}
	if page := v.get("/jobs"); page.status != 200 || !strings.Contains(page.body, path) || !strings.Contains(page.body, "Locks that are on") {
		t.Errorf("jobs: %d", page.status)
	}
	if got := h.as(t, someone(t, h, "owner")).get(path); got.status != http.StatusForbidden {
		t.Errorf("an owner: %d", got.status)
	}
	// and to be looked at
	folder := os.Getenv("JOB_PICTURES")
	if folder == "" {
		return
	}
	root := browser(t)
	page_ := tab(t, root, h, h.link(t, tom))
	for name, way := range map[string]struct {
		w, h   int64
		phone  bool
		scheme string
		path   string
	}{"phone": {390, 844, true, "light", path}, "phone-dark": {390, 844, true, "dark", path}, "desk": {1440, 900, false, "light", path}, "jobs": {390, 844, true, "light", "/jobs"}} {
		run(t, page_, size(way.w, way.h, way.phone), prefers(way.scheme), chromedp.Navigate(h.URL+way.path))
		shot, err := chromedp.Run(page_, chromedp.FullScreenshot(100))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(folder+"/"+name+".png", shot, 0o644); err != nil {
			t.Fatal(err)
		}
	}
}
