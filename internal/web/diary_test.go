package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"
	"golang.org/x/net/html"
)

// told gives the secret that a page shows, "" where it shows none.
func told(t testing.TB, body string) (secret string) {
	t.Helper()
	walk(parse(t, body), func(n *html.Node) {
		if n.Data == "code" && attr(n, "id") == "told" {
			secret = textOf(n)
		}
	})
	return secret
}

// An owner takes the visits to her site into her own calendar and takes them out again.
func TestVisitsInOnesOwnCalendar(t *testing.T) {
	r := newRounds(t)
	site := "/account/calendars/new?site=" + r.site.ID.String()
	if got := r.asOwner.get("/sites/" + r.site.ID.String()); !strings.Contains(got.body, `href="`+site+`"`) {
		t.Error("the site does not lead to it")
	}
	form := r.asOwner.form(site)
	if form.Get("shows") != "site:"+r.site.ID.String() {
		t.Errorf("the form holds %v", form)
	}
	form.Set("with_due", "yes")
	made := r.asOwner.post("/account/calendars/new", form)
	address := told(t, made.body)
	path, ours := strings.CutPrefix(address, r.URL)
	if made.status != http.StatusOK || !ours || !strings.HasSuffix(path, ".ics") {
		t.Fatalf("made: %d %q", made.status, address)
	}
	if again := r.asOwner.post("/account/calendars/new", form); told(t, again.body) != "" || !strings.Contains(again.body, "cannot be shown again") {
		t.Error("the same form again tells it again")
	}
	nobody := r.nobody(t)
	got := nobody.get(path)
	if got.status != http.StatusOK || got.head.Get("Content-Type") != "text/calendar; charset=utf-8" || !strings.HasPrefix(got.body, "BEGIN:VCALENDAR\r\n") ||
		!strings.Contains(got.body, "UID:"+r.visit.String()+"\r\n") || !strings.Contains(got.body, "SUMMARY:Due: ") || strings.Contains(got.body, secretNote) {
		t.Errorf("read: %d %v\n%s", got.status, got.head, got.body)
	}
	// RFC 9110, 13.1: who has it already is told so
	for name, value := range map[string]string{"If-None-Match": got.head.Get("ETag"), "If-Modified-Since": got.head.Get("Last-Modified")} {
		q, err := http.NewRequest(http.MethodGet, r.URL+path, nil)
		if err != nil || value == "" {
			t.Fatalf("%s %q: %v", name, value, err)
		}
		q.Header.Set(name, value)
		if a := nobody.do(q); a.status != http.StatusNotModified || a.body != "" {
			t.Errorf("%s: %d %s", name, a.status, a.body)
		}
	}
	q, err := http.NewRequest(http.MethodHead, r.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if a := nobody.do(q); a.status != http.StatusOK || a.head.Get("ETag") != got.head.Get("ETag") {
		t.Errorf("HEAD: %d %v", a.status, a.head)
	}
	if strings.Contains(r.log.String(), strings.TrimSuffix(strings.TrimPrefix(path, "/calendars/"), ".ics")) {
		t.Error("the log holds the secret")
	}

	page := r.asOwner.get("/account")
	if !strings.Contains(wordsOf(t, page.body), "Visits to UMB Express and what falls due there made 25 November 2026, read last 25 November 2026, 15:30 UTC") || strings.Contains(page.body, address) {
		t.Errorf("the account says %s", wordsOf(t, page.body))
	}
	var revoke string
	for _, l := range links(t, page.body) {
		if strings.HasSuffix(l, "/revoke") {
			revoke = l
		}
	}
	if other := r.asManager.get(revoke); other.status != http.StatusNotFound {
		t.Errorf("another's address: %d", other.status)
	}
	if a := r.asOwner.post(revoke, r.asOwner.form(revoke)); a.status != http.StatusSeeOther {
		t.Fatalf("revoked: %d", a.status)
	}
	for _, p := range []string{path, strings.TrimSuffix(path, ".ics"), "/calendars/nonsense.ics"} {
		if got := nobody.get(p); got.status != http.StatusNotFound || got.head.Get("ETag") != "" {
			t.Errorf("%s after that: %d", p, got.status)
		}
	}
	if p := r.asOwner.get("/account"); strings.Contains(p.body, revoke) {
		t.Error("what is revoked is still listed")
	}

	// whose visits one may choose
	for who, want := range map[*visitor][]string{
		r.asTech:    {"person:" + r.technician.String(), "all", "site:" + r.other.ID.String()},
		r.asManager: {"person:" + r.manager.String(), "person:" + r.technician.String(), "all"},
		r.asStaff:   {"all", "site:" + r.site.ID.String()},
	} {
		body := who.get("/account/calendars/new").body
		for _, o := range want {
			if !strings.Contains(body, `value="`+o+`"`) {
				t.Errorf("%s is not offered", o)
			}
		}
		if who == r.asStaff && (strings.Contains(body, "person:") || strings.Contains(body, r.other.ID.String())) {
			t.Error("site staff is offered what is not theirs")
		}
	}
	form = r.asStaff.form("/account/calendars/new")
	form.Set("with_due", "yes")
	if a := r.asStaff.post("/account/calendars/new", form); a.status != 422 || wrongs(t, a.body)["with_due"] == "" {
		t.Errorf("what falls due everywhere: %d %v", a.status, wrongs(t, a.body))
	}
	form = r.asStaff.form("/account/calendars/new")
	form.Set("shows", "site:"+r.other.ID.String())
	if a := r.asStaff.post("/account/calendars/new", form); a.status != 422 || wrongs(t, a.body)["shows"] == "" {
		t.Errorf("another's site: %d %v", a.status, wrongs(t, a.body))
	}
	if a := r.asStaff.post("/account/calendars/new", url.Values{"key": {form.Get("key")}}); a.status != 422 {
		t.Errorf("nothing chosen: %d", a.status)
	}
}

func TestOwnPagesFitAPhone(t *testing.T) {
	r := newRounds(t)
	form := r.asOwner.form("/account/calendars/new")
	r.asOwner.post("/account/calendars/new", form)
	fits(t, r.house, map[uuid.UUID][]string{r.owner: {"/account", "/account/calendars/new", "/account/letters"}, r.manager: {"/account", "/drawings", "/positions/" + r.left.ID.String()}})
}

func TestAskForTheDailyLetter(t *testing.T) {
	g := newGround(t)
	if got := wordsOf(t, g.asOwner.get("/account").body); !strings.Contains(got, "You get none. This installation has no mail server set") {
		t.Errorf("at first: %s", got)
	}
	form := g.asOwner.form("/account/letters")
	if form.Get("email") != "sable.winter@example.test" || form.Get("digest_hour") != "6" || form.Get("zone") != "America/Chicago" || form.Has("digest") {
		t.Errorf("put forward: %v", form)
	}
	form.Set("digest", "yes")
	for name, bad := range map[string]string{"email": "nowhere", "zone": "Chicago"} {
		wrong := url.Values{}
		for k, v := range form {
			wrong[k] = v
		}
		wrong.Set(name, bad)
		if a := g.asOwner.post("/account/letters", wrong); a.status != 422 || wrongs(t, a.body)[name] == "" {
			t.Errorf("%s %s: %d %v", name, bad, a.status, wrongs(t, a.body))
		}
	}
	form.Set("digest_hour", "18")
	if a := g.asOwner.post("/account/letters", form); a.status != http.StatusSeeOther {
		t.Fatalf("%d %v", a.status, wrongs(t, a.body))
	}
	if got := wordsOf(t, g.asOwner.get("/account").body); !strings.Contains(got, "Each day from 18:00 on (America/Chicago) a letter goes to sable.winter@example.test") {
		t.Errorf("then: %s", got)
	}
	if form = g.asOwner.form("/account/letters"); form.Get("digest") != "yes" || form.Get("digest_hour") != "18" {
		t.Errorf("kept: %v", form)
	}
}
