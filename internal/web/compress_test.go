package web_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"testing"
)

// Pages are compressed where that tells nobody what stands on them.
func TestPagesAreCompressed(t *testing.T) {
	g := newGround(t)
	ask := func(v *visitor, method, path string, body url.Values, head map[string]string) answer {
		t.Helper()
		r, err := http.NewRequest(method, g.URL+path, strings.NewReader(body.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		if body != nil {
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		}
		for name, value := range head {
			r.Header.Set(name, value)
		}
		return v.do(r)
	}
	site := "/sites/" + g.site.ID.String()
	for _, c := range []struct {
		path, takes, from string
		want              bool
	}{
		{site, "gzip", "same-origin", true},
		{site, "gzip, deflate, br, zstd", "none", true},
		{site, "br;q=1.0, GZIP;q=0.5", "none", true},
		{site, "gzip", "", true}, // an older browser
		{site, "gzip;q=0", "none", false},
		{site, "gzip; q=0.0", "none", false},
		{site, "br", "none", false},
		{site, "xgzip", "none", false},
		{site, "identity", "none", false},
		{site, "gzip", "cross-site", false},
		{site, "gzip", "same-site", false},
		{"/find?text=umb", "gzip", "same-origin", true},
		{"/find?text=umb", "gzip", "none", true},
		{"/find?text=umb", "gzip", "cross-site", false}, // somebody makes the browser guess
		{"/find?text=umb", "gzip", "", false},
	} {
		plainly := ask(g.asManager, http.MethodGet, c.path, nil, map[string]string{"Accept-Encoding": "identity", "Sec-Fetch-Site": c.from})
		got := ask(g.asManager, http.MethodGet, c.path, nil, map[string]string{"Accept-Encoding": c.takes, "Sec-Fetch-Site": c.from})
		if is := got.head.Get("Content-Encoding") == "gzip"; is != c.want {
			t.Errorf("%s with %q from %q: compressed is %v", c.path, c.takes, c.from, is)
		}
		for _, name := range []string{"Accept-Encoding", "Sec-Fetch-Site"} {
			if !strings.Contains(got.head.Get("Vary"), name) || !strings.Contains(plainly.head.Get("Vary"), name) {
				t.Errorf("%s: Vary is %q", c.path, got.head.Get("Vary"))
			}
		}
		if got.head.Get("Content-Length") != strconv.Itoa(len(got.body)) {
			t.Errorf("%s: Content-Length is %s of %d", c.path, got.head.Get("Content-Length"), len(got.body))
		}
		if !c.want {
			continue
		}
		if len(got.body)*2 > len(plainly.body) {
			t.Errorf("%s: %d bytes became %d", c.path, len(plainly.body), len(got.body))
		}
		z, err := gzip.NewReader(strings.NewReader(got.body))
		if err != nil {
			t.Fatal(err)
		}
		b, err := io.ReadAll(z)
		number := func(body string, a answer) string { return strings.ReplaceAll(body, a.head.Get("X-Request-Id"), "") }
		if err != nil || number(string(b), got) != number(plainly.body, plainly) {
			t.Errorf("%s: unpacked it is another page (%v)", c.path, err)
		}
	}
	// what answers a form may hold a secret beside what was typed
	values := g.asManager.form("/people/" + g.owner.String() + "/link")
	got := ask(g.asManager, http.MethodPost, "/people/"+g.owner.String()+"/link", values, map[string]string{"Accept-Encoding": "gzip", "Sec-Fetch-Site": "same-origin"})
	if got.status != http.StatusOK || !strings.Contains(got.body, "/enter/") || got.head.Get("Content-Encoding") != "" {
		t.Errorf("a link that is told once: %d %v", got.status, got.head)
	}
}
