package web_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb"
)

// count counts rows as the system sees them.
func (g *ground) count(t testing.TB, query string, args ...any) int {
	t.Helper()
	type row struct{ N int }
	named := pgx.NamedArgs{}
	for i := 0; i+1 < len(args); i += 2 {
		named[args[i].(string)] = args[i+1]
	}
	found, err := pgdb.Read[row](ctx, g.db, access.System.ID, query, named)
	if err != nil {
		t.Fatal(err)
	}
	return found[0].N
}

// Every form: sent well it is done, sent twice it is done once, sent with a
// mistake it comes back with what was typed and the error beside its field.
func TestForms(t *testing.T) {
	g := newGround(t)
	site, left := "/sites/"+g.site.ID.String(), "/positions/"+g.left.ID.String()
	began := now.AddDate(0, -6, 0)
	fact := write(t, g.db, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, access.System, now, g.left.ID, assets.NewFact{Fact: "media", Value: "foam", How: "seen", From: &began})
	})
	blackout := write(t, g.db, func(tx *gorm.DB) (assets.Blackout, error) {
		return assets.AddBlackout(tx, access.System, g.site.ID, assets.NewBlackout{From: now, Until: now.Add(time.Hour), Reason: "fair"})
	})
	program := write(t, g.db, func(tx *gorm.DB) (access.Account, error) {
		return access.AddProgram(tx, access.System, now, "Gateway one", []access.NewGrant{{Role: "gateway", SiteID: &g.site.ID}})
	})
	token := write(t, g.db, func(tx *gorm.DB) (access.Token, error) {
		t, _, err := access.GiveToken(tx, access.System, now, program.ID, now.AddDate(0, 1, 0))
		return t, err
	})
	staff, err := access.OneAccount(ctx, g.db, access.System, g.staff)
	if err != nil {
		t.Fatal(err)
	}
	one := func(table string) string { return "select count(*)::int as n from " + table }
	type bad struct {
		values map[string]string
		field  string // beside which the error stands; "" is above the form
		says   string
		status int
	}
	for _, c := range []struct {
		path   string
		v      *visitor
		good   map[string]string
		status int // of the good one: 303 where nothing is said
		rows   string
		more   int // rows that the good one adds
		bads   []bad
	}{
		{"/customers/new", g.asManager, map[string]string{"name": "Ostrel Family Wash", "code": "OST", "needs_order_number": "yes"}, 0, one("customer"), 1, []bad{
			{map[string]string{"name": "  ", "code": "OSX"}, "name", "must not be blank", 422},
			{map[string]string{"name": "Twice", "code": "HAD"}, "code", "is in use by another customer", 409},
			{map[string]string{"name": "Small", "code": "ost"}, "code", "capital letters", 422},
			{map[string]string{"name": strings.Repeat("x", 201), "code": "OSY"}, "name", "at most 200 characters", 422},
		}},
		{"/customers/" + g.ours.ID.String() + "/edit", g.asManager, map[string]string{"name": "Hadrelle Wash", "code": "HAD"}, 0, one("customer where name = 'Hadrelle Wash'"), 1, []bad{
			{map[string]string{"code": "PEL"}, "code", "is in use", 409},
		}},
		{"/sites/new", g.asManager, map[string]string{"customer_id": g.ours.ID.String(), "owned_from": "2026-01-02", "name": "Dunmarrow", "code": "DUN", "zone": "America/Chicago", "currency": "USD",
			"climate": "snowbelt", "size": "large", "driver_side": "left", "latitude": "41.25", "longitude": "-87.5"}, 0, one("site"), 1, []bad{
			{map[string]string{"code": "DUX", "zone": "Chicago"}, "zone", "IANA time zone", 422},
			{map[string]string{"code": "DUX", "zone": "America/Chicago", "latitude": "41", "longitude": ""}, "latitude", "together with longitude", 422},
			{map[string]string{"code": "DUX", "latitude": "north"}, "latitude", "is a number", 422},
			{map[string]string{"code": "DUX", "latitude": "141", "longitude": "3"}, "latitude", "between -90 and 90", 422},
			{map[string]string{"code": "DUX", "climate": "arctic"}, "climate", "not among the choices", 422},
			{map[string]string{"code": "UMB"}, "code", "is in use by another site", 409},
			{map[string]string{"code": "DUX", "customer_id": ""}, "customer_id", "must not be blank", 422},
			{map[string]string{"code": "DUX", "day_turns_at": "25:00"}, "day_turns_at", "time of day", 422},
			{map[string]string{"code": "DUX", "owned_from": "2026-02-31"}, "owned_from", "is a date", 422},
		}},
		{site + "/edit", g.asManager, map[string]string{"name": "Umberlea by the river"}, 0, one("site where name = 'Umberlea by the river'"), 1, []bad{
			{map[string]string{"currency": "dollar"}, "currency", "at most 3 characters", 422},
			{map[string]string{"currency": "usd"}, "currency", "three letters", 422},
		}},
		{site + "/lines/new", g.asManager, map[string]string{"code": "UMB-2", "length": "33.5", "length_unit": "m", "speed": "45", "speed_unit": "ft/min", "vehicles_per_hour_max": "90", "from": "2026-03-01T08:00"}, 0, one("line"), 1, []bad{
			{map[string]string{"code": "UMB-1"}, "code", "is in use by another line", 409},
			{map[string]string{"code": "UMB-3", "length": "long"}, "length", "is a number", 422},
			{map[string]string{"code": "UMB-3", "length": "-5", "length_unit": "m"}, "length", "above 0", 422},
			{map[string]string{"code": "UMB-3", "length": "5", "length_unit": "mile"}, "length", "needs a unit", 422},
			{map[string]string{"code": "UMB-3", "vehicles_per_hour_max": "many"}, "vehicles_per_hour_max", "whole number", 422},
			{map[string]string{"code": "UMB-3", "from": "soon"}, "from", "is a date with a time", 422},
		}},
		{site + "/positions/new", g.asManager, map[string]string{"line_id": g.line.ID.String(), "kind": "wraparound", "name": "Wraparound", "code": "UMB-1/WRP-D", "line_side": "left", "along": "54-1/2", "along_unit": "ft", "aliases": "left arm\nbig one"}, 0,
			one("position"), 1, []bad{
				{map[string]string{"line_id": "", "line_side": "left", "kind": "reclaim", "name": "Pit", "code": "UMB/PIT"}, "line_side", "is centre for shared equipment", 422},
				{map[string]string{"line_id": g.line.ID.String(), "kind": "rocker", "name": "Rocker", "code": g.left.Code, "line_side": "left"}, "code", "is in use by another position", 409},
				{map[string]string{"line_id": g.line.ID.String(), "kind": "rocker", "name": "Rocker", "code": "UMB-1/R", "line_side": ""}, "line_side", "must not be blank", 422},
			}},
		{site + "/notes/new", g.asTech, map[string]string{"body": "The key is under\nthe third stone"}, 0, one("site_note"), 1, []bad{
			{map[string]string{"body": " \n "}, "body", "must not be blank", 422},
			{map[string]string{"body": strings.Repeat("ä", 4001)}, "body", "at most 4000", 422},
		}},
		{site + "/blackouts/new", g.asManager, map[string]string{"from": "2026-12-19T00:00", "until": "2026-12-20T00:00", "reason": "Saturday before Christmas"}, 0, one("blackout"), 1, []bad{
			{map[string]string{"from": "2026-12-19T00:00", "until": "2026-12-18T00:00", "reason": "Backwards"}, "until", "must lie after", 422},
			{map[string]string{"from": "", "until": "2026-12-18T00:00", "reason": "When"}, "from", "must not be blank", 422},
		}},
		{site + "/blackouts/" + blackout.ID.String() + "/withdraw", g.asManager, nil, 0, one("blackout where withdrawn_at is not null"), 1, nil},
		{left + "/facts/new?fact=bore", g.asTech, map[string]string{"measure": "1-3/8", "measure_unit": "in", "how": "measured", "seen_at": "2026-11-20T09:00"}, 0, one("position_fact where fact = 'bore' and value = '1.375 in'"), 1, []bad{
			{map[string]string{"measure": "wide", "measure_unit": "in", "how": "seen"}, "measure", "is a number", 422},
			{map[string]string{"measure": "0", "measure_unit": "in", "how": "seen"}, "measure", "above 0", 422},
			{map[string]string{"measure": "35", "measure_unit": "mm", "how": ""}, "how", "must not be blank", 422},
			{map[string]string{"measure": "35", "measure_unit": "mm", "how": "seen", "from": "2031-01-01T00:00"}, "from", "must not lie ahead", 422},
		}},
		{left + "/facts/new?fact=hub_fixing", g.asTech, map[string]string{"value": "clamp4", "how": "seen"}, 0, one("position_fact where fact = 'hub_fixing'"), 1, []bad{
			{map[string]string{"value": "glue", "how": "seen"}, "value", "not among the choices", 422},
		}},
		{left + "/facts/new", g.asTech, map[string]string{"fact": "bore"}, 0, one("position_fact where false"), 0, []bad{
			{map[string]string{}, "fact", "must not be blank", 422},
		}},
		{left + "/facts/" + fact.ID.String() + "/withdraw", g.asTech, map[string]string{"reason": "It is cloth"}, 0, one("position_fact where withdrawn_at is not null"), 1, []bad{
			{map[string]string{"reason": ""}, "reason", "must not be blank", 422},
		}},
		{left + "/state", g.asTech, map[string]string{"state": "parked", "from": "2026-11-24T10:00", "reason": "Bearing loud"}, 0, one("position_state where state = 'parked'"), 1, []bad{
			{map[string]string{"state": "empty", "from": "2020-01-01T00:00"}, "from", "must lie after", 422},
			{map[string]string{"state": "in_service"}, "state", "The position is in this state since 25 November 2025", 409},
			{map[string]string{}, "state", "must not be blank", 422},
		}},
		{"/people/invite", g.asManager, map[string]string{"name": "Noor", "login": "Noor@Example.test", "role": "site_staff", "customer_id": g.ours.ID.String(), "site_id": g.site.ID.String()}, 200, one("person"), 1, []bad{
			{map[string]string{"name": "Two", "login": "sable.winter@example.test", "role": "technician"}, "login", "is in use by another person", 409},
			{map[string]string{"name": "Two", "login": "two", "role": "owner"}, "customer_id", "is needed", 422},
			{map[string]string{"name": "Two", "login": "a b", "role": "technician"}, "login", "without spaces", 422},
			{map[string]string{"name": "Two", "login": "two", "role": "system"}, "role", "not among the choices", 422},
		}},
		{"/people/programs/new", g.asManager, map[string]string{"name": "Gateway two", "role": "gateway", "site_id": g.site.ID.String()}, 0, one("actor where kind = 'program'"), 1, []bad{
			{map[string]string{"name": "Gateway", "role": "gateway"}, "site_id", "is needed", 422},
		}},
		{"/people/" + program.ID.String() + "/tokens/new", g.asManager, map[string]string{"expires_at": "2027-01-01"}, 200, one("program_token"), 1, []bad{
			{map[string]string{"expires_at": "2020-01-01"}, "expires_at", "must lie in the future", 422},
			{map[string]string{"expires_at": "2036-01-01"}, "expires_at", "at most two years", 422},
		}},
		{"/people/" + program.ID.String() + "/tokens/" + token.ID.String() + "/revoke", g.asManager, nil, 0, one("program_token where revoked_at is not null"), 1, nil},
		{"/people/" + g.staff.String() + "/edit", g.asManager, map[string]string{"name": "Gil Moor-Ferranti"}, 0, one("actor where name = 'Gil Moor-Ferranti'"), 1, []bad{
			{map[string]string{"name": ""}, "name", "must not be blank", 422},
		}},
		{"/people/" + g.staff.String() + "/link", g.asManager, nil, 200, one("entry_link where purpose = 'choose_password'"), 1, nil},
		{"/people/" + g.staff.String() + "/roles/new", g.asManager, map[string]string{"role": "owner", "customer_id": g.ours.ID.String(), "ends_at": "2027-05-01"}, 0, one("role_grant where role = 'owner'"), 1, []bad{
			{map[string]string{"role": "owner"}, "customer_id", "is needed", 422},
			{map[string]string{"role": "technician", "ends_at": "2020-01-01"}, "ends_at", "must lie in the future", 422},
		}},
		{"/people/" + g.staff.String() + "/roles/" + staff.Grants[0].ID.String() + "/end", g.asManager, nil, 0, one("role_grant where ends_at is not null and role = 'site_staff'"), 1, nil},
		{"/people/" + g.staff.String() + "/disable", g.asManager, nil, 0, one("actor where disabled_at is not null"), 1, nil},
		{"/people/" + g.staff.String() + "/enable", g.asManager, nil, 0, one("actor where disabled_at is not null"), -1, nil},
	} {
		t.Run(strings.NewReplacer("/", " ", g.site.ID.String(), "SITE", g.left.ID.String(), "POSITION").Replace(c.path), func(t *testing.T) {
			for _, b := range c.bads {
				values := c.v.form(c.path)
				for k, val := range c.good {
					if k != "code" && k != "login" && k != "fact" && k != "state" && k != "from" && k != "how" && k != "site_id" && k != "customer_id" && k != "ends_at" && k != "role" {
						values.Set(k, val)
					}
				}
				if c.path == "/sites/new" {
					values.Set("customer_id", g.ours.ID.String())
				}
				for k, val := range b.values {
					values.Set(k, val)
				}
				before := g.count(t, c.rows)
				got := c.v.post(c.path, values)
				if got.status != b.status {
					t.Errorf("%v: %d, want %d\n%v", b.values, got.status, b.status, wrongs(t, got.body))
					continue
				}
				if said := wrongs(t, got.body)[b.field]; !strings.Contains(said, b.says) {
					t.Errorf("%v: beside %s stands %q, want %q; all: %v", b.values, b.field, said, b.says, wrongs(t, got.body))
				}
				kept := sheetOf(t, got.body)
				for k, val := range values {
					if strings.HasPrefix(val[0], "  ") || k == "climate" || val[0] == "glue" || val[0] == "mile" || val[0] == "system" || val[0] == " \n " {
						continue // trimmed, or no choice
					}
					if strings.TrimPrefix(kept.Get(k), "\n") != val[0] {
						t.Errorf("%v: %s was %q and came back as %q", b.values, k, val[0], kept.Get(k))
					}
				}
				if after := g.count(t, c.rows); after != before {
					t.Errorf("%v: %d rows, then %d", b.values, before, after)
				}
			}

			values := c.v.form(c.path)
			for k, val := range c.good {
				values.Set(k, val)
			}
			want := c.status
			if want == 0 {
				want = http.StatusSeeOther
			}
			before := g.count(t, c.rows)
			first, second := c.v.post(c.path, values), c.v.post(c.path, values)
			if first.status != want || second.status != want || first.head.Get("Location") != second.head.Get("Location") {
				t.Fatalf("sent twice: %d to %q, then %d to %q, want %d\n%v %s", first.status, first.head.Get("Location"), second.status, second.head.Get("Location"), want,
					wrongs(t, first.body), second.body)
			}
			if more := g.count(t, c.rows) - before; more != c.more {
				t.Errorf("%d rows more, want %d", more, c.more)
			}
			if to := first.head.Get("Location"); to != "" {
				to, _, _ = strings.Cut(to, "#")
				if got := c.v.get(to); got.status != 200 {
					t.Errorf("it leads to %s: %d", to, got.status)
				}
			}
			if want == 200 && (!strings.Contains(first.body, "shown here once") || !strings.Contains(second.body, "cannot be shown again")) {
				t.Errorf("the secret is not told once:\n%s\n----\n%s", first.body, second.body)
			}
		})
	}
}

// Who goes back to a form that was sent and sends it with other entries gets
// both recorded, and is told.
func TestAFormSentAgainWithOtherEntries(t *testing.T) {
	g := newGround(t)
	values := g.asManager.form("/customers/new")
	values.Set("name", "First")
	values.Set("code", "FIR")
	if got := g.asManager.post("/customers/new", values); got.status != http.StatusSeeOther {
		t.Fatal(got.status)
	}
	values.Set("name", "Second")
	values.Set("code", "SEC")
	got := g.asManager.post("/customers/new", values)
	if got.status != 422 || !strings.Contains(got.body, "This form was sent before with other entries") {
		t.Fatalf("%d\n%s", got.status, got.body)
	}
	if got = g.asManager.post("/customers/new", sheetOf(t, got.body)); got.status != http.StatusSeeOther {
		t.Errorf("sent on: %d", got.status)
	}
	if n := g.count(t, `select count(*)::int as n from customer where code in ('FIR', 'SEC')`); n != 2 {
		t.Errorf("%d customers", n)
	}
}

// Two edit the same customer: the second sees both versions and decides.
func TestSomebodyElseWasFaster(t *testing.T) {
	g := newGround(t)
	path := "/customers/" + g.ours.ID.String() + "/edit"
	slow := g.asManager.form(path)
	fast := g.asManager.form(path)
	fast.Set("name", "Hadrelle Brothers")
	if got := g.asManager.post(path, fast); got.status != http.StatusSeeOther {
		t.Fatal(got.status)
	}
	slow.Set("name", "Hadrelle Sisters")
	got := g.asManager.post(path, slow)
	if got.status != http.StatusConflict {
		t.Fatalf("%d", got.status)
	}
	for _, text := range []string{"Recorded now, by somebody else", "Hadrelle Brothers", `value="Hadrelle Sisters"`} {
		if !strings.Contains(got.body, text) {
			t.Errorf("lacks %q", text)
		}
	}
	if got = g.asManager.post(path, sheetOf(t, got.body)); got.status != http.StatusSeeOther {
		t.Errorf("overruled: %d\n%v", got.status, wrongs(t, got.body))
	}
	if got = g.asManager.get("/customers/" + g.ours.ID.String()); !strings.Contains(got.body, "Hadrelle Sisters") {
		t.Error("the second did not hold")
	}
}

// What a page hides is refused when it is sent all the same.
func TestFormsOfOthersAreRefused(t *testing.T) {
	g := newGround(t)
	for _, c := range []struct {
		v      *visitor
		path   string
		values url.Values
		status int
	}{
		{g.asTech, "/customers/new", url.Values{"name": {"X"}, "code": {"X"}}, 403},
		{g.asOwner, "/sites/" + g.site.ID.String() + "/notes/new", url.Values{"body": {"mine"}}, 403},
		{g.asOwner, "/sites/" + g.other.ID.String() + "/notes/new", url.Values{"body": {"mine"}}, 404},
		{g.asOwner, "/positions/" + g.left.ID.String() + "/state", url.Values{"state": {"parked"}}, 403},
		{g.asStaff, "/positions/" + g.left.ID.String() + "/facts/new?fact=media", url.Values{"value": {"foam"}, "how": {"seen"}}, 403},
		{g.asTech, "/people/" + g.manager.String() + "/disable", url.Values{}, 403},
		{g.nobody(t), "/customers/new", url.Values{"name": {"X"}, "code": {"X"}}, 303},
	} {
		c.values.Set("key", uuid.NewString())
		if got := c.v.post(c.path, c.values); got.status != c.status {
			t.Errorf("%s: %d, want %d", c.path, got.status, c.status)
		}
	}
	if n := g.count(t, `select count(*)::int as n from customer where code = 'X'`); n != 0 {
		t.Error("it was done")
	}
}

func TestTheLastManagerStays(t *testing.T) {
	g := newGround(t)
	account, err := access.OneAccount(ctx, g.db, access.System, g.manager)
	if err != nil {
		t.Fatal(err)
	}
	path := fmt.Sprintf("/people/%s/roles/%s/end", g.manager, account.Grants[0].ID)
	got := g.asManager.post(path, g.asManager.form(path))
	if got.status != http.StatusConflict || !strings.Contains(got.body, "must stay manager") {
		t.Errorf("%d\n%s", got.status, got.body)
	}
}

func TestChangingThePassword(t *testing.T) {
	g := newGround(t)
	got := g.asTech.post("/account/password", func() url.Values {
		v := g.asTech.form("/account/password")
		v.Set("old_password", "nothing")
		v.Set("new_password", "four plain words make one")
		return v
	}())
	if got.status != http.StatusConflict || !strings.Contains(got.body, "You came in by a link") {
		t.Fatalf("without a password: %d", got.status)
	}
	link := write(t, g.db, func(tx *gorm.DB) (string, error) {
		return access.MakeLink(tx, now, access.ChoosePassword, &g.technician, time.Hour)
	})
	v := g.nobody(t)
	if got = v.post("/enter/"+link, url.Values{"password": {"the first password of all"}}); got.status != http.StatusSeeOther {
		t.Fatal(got.status)
	}
	other := g.nobody(t)
	if got = other.post("/sign-in", url.Values{"login": {"imre.vasko@example.test"}, "password": {"the first password of all"}}); got.status != http.StatusSeeOther {
		t.Fatal(got.status)
	}
	change := func(old, chosen string) answer {
		f := v.form("/account/password")
		f.Set("old_password", old)
		f.Set("new_password", chosen)
		return v.post("/account/password", f)
	}
	if got = change("not this one", "four plain words make one"); got.status != 422 || !strings.Contains(wrongs(t, got.body)["old_password"], "is not your present password") || strings.Contains(got.body, "four plain words make one") {
		t.Errorf("wrong: %d %v", got.status, wrongs(t, got.body))
	}
	if got = change("the first password of all", "short"); got.status != 422 || wrongs(t, got.body)["new_password"] == "" {
		t.Errorf("short: %d %v", got.status, wrongs(t, got.body))
	}
	if got = change("the first password of all", "four plain words make one"); got.status != http.StatusSeeOther {
		t.Errorf("good: %d", got.status)
	}
	if got = v.get("/account"); got.status != 200 {
		t.Error("this browser is out")
	}
	if got = other.get("/account"); got.status != http.StatusSeeOther {
		t.Error("the other browser is still in")
	}
}
