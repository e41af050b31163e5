package web_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
)

// heard is what a listener was told of work that takes long.
type heard struct {
	says []string
	done []int
	end  bool
}

// listen hears server-sent events until they end, or for so many of them.
func (v *visitor) listen(ctx context.Context, key string, most int) (h heard, err error) {
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, v.h.URL+"/progress/"+key, nil)
	if err != nil {
		return h, err
	}
	res, err := v.http.Do(r)
	if err != nil {
		return h, err
	}
	defer func() { _ = res.Body.Close() }()
	if res.StatusCode != 200 || res.Header.Get("Content-Type") != "text/event-stream" || res.Header.Get("Cache-Control") != "no-store" || res.Header.Get("Content-Encoding") != "" {
		return h, fmt.Errorf("%d %v", res.StatusCode, res.Header)
	}
	lines := bufio.NewScanner(res.Body)
	for lines.Scan() {
		switch data, is := strings.CutPrefix(lines.Text(), "data: "); {
		case lines.Text() == "event: end":
			h.end = true
			return h, nil
		case is:
			var at struct {
				Says     string
				Done, Of int
			}
			if err := json.Unmarshal([]byte(data), &at); err != nil {
				return h, err
			}
			h.says, h.done = append(h.says, at.Says), append(h.done, at.Done)
			if len(h.says) == most {
				return h, nil
			}
		}
	}
	return h, lines.Err()
}

// Whoever sends a long sheet hears how far it is, and hears on where the connection broke;
// nobody else does. It is the same without listening.
func TestLongWorkTellsHowFarItIs(t *testing.T) {
	root := browser(t)
	s := newStore(t)
	var file strings.Builder
	file.WriteString("customer,name\n")
	for i := range 30_000 {
		fmt.Fprintf(&file, "N%05d,New Wash %d\n", i, i)
	}
	form := s.asManager.form("/import")
	type result struct {
		heard
		err error
	}
	ctx, stop := context.WithTimeout(ctx, time.Minute)
	defer stop()
	first, second := make(chan result, 1), make(chan result, 1)
	go func() { // whose connection breaks after the first word
		h, err := s.asManager.listen(ctx, form.Get("key"), 1)
		first <- result{h, err}
		h, err = s.asManager.listen(ctx, form.Get("key"), -1)
		second <- result{h, err}
	}()
	got := s.asManager.send("/import", form, "file", []byte(file.String()))
	if got.status != 200 || !strings.Contains(got.body, "Write 30000 rows") && !strings.Contains(got.body, "Write 30,000 rows") {
		t.Fatalf("%d", got.status)
	}
	one, two := <-first, <-second
	if one.err != nil || two.err != nil || len(one.says) != 1 || !two.end {
		t.Errorf("heard %+v, then %+v", one, two)
	}
	if all := append(one.says, two.says...); !strings.Contains(strings.Join(all, "\n"), "rows") {
		t.Errorf("told is %q", all)
	}
	// nobody else hears of it, and a key that is none is no page
	brief, enough := context.WithTimeout(ctx, time.Second)
	defer enough()
	if h, err := s.asTech.listen(brief, form.Get("key"), -1); len(h.says) > 0 || h.end || err != nil && !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("somebody else hears %+v, %v", h, err)
	}
	if got := s.asManager.get("/progress/nonsense"); got.status != 404 {
		t.Errorf("a key that is none: %d", got.status)
	}
	if got := s.nobody(t).get("/progress/" + uuid.NewString()); got.status != http.StatusSeeOther {
		t.Errorf("a stranger: %d", got.status)
	}
	// on the page
	in := tab(t, root, s.house, s.link(t, s.manager))
	run(t, in, size(390, 844, true), chromedp.Navigate(s.URL+"/import"))
	eval[bool](t, in, `(() => { const d = new DataTransfer(); d.items.add(new File([`+strconv.Quote(file.String())+`], "sheet.csv"));
		document.querySelector("input[type=file]").files = d.files;
		new MutationObserver(() => sessionStorage.told = (sessionStorage.told || "") + document.querySelector(".progress span")?.textContent + ";").observe(document.body, {subtree: true, childList: true, characterData: true});
		return true; })()`)
	run(t, in, chromedp.Click(chromedp.CSS("form.sheet button")), chromedp.WaitVisible(chromedp.CSS("form.accept")))
	if told := eval[string](t, in, `sessionStorage.told || ""`); !strings.Contains(told, "on its way") || !strings.Contains(told, "rows") {
		t.Errorf("the page told %q", told)
	}
}
