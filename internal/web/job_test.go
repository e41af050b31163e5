package web_test

import (
	"bytes"
	"image"
	"image/jpeg"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/isolation"
)

// bench is a ground with a short job to do at a brush, and two who can do it.
type bench struct {
	*ground
	task   uuid.UUID
	second uuid.UUID // a technician, too
	hours  meters.Meter
	path   string // of the card
}

func newBench(t testing.TB) *bench {
	t.Helper()
	b := &bench{ground: newGround(t)}
	sys, began := access.System, now.AddDate(-1, 0, 0)
	write(t, b.db, func(tx *gorm.DB) (assets.Position, error) {
		p, _, err := assets.SetIsolation(tx, sys, now, b.right.ID, b.right.Version, []uuid.UUID{b.point.ID})
		return p, err
	})
	b.hours = write(t, b.db, func(tx *gorm.DB) (meters.Meter, error) {
		digits := 5
		return meters.Add(tx, sys, now, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H-L", Kind: "hour_meter", Counter: meters.Counter{Digits: &digits, Decimals: 1}}, Unit: meters.Hours,
			Thing: meters.Thing{PositionID: &b.left.ID, Primary: true}, From: &began, SiteID: b.site.ID})
	})
	until := "2027-12-31"
	b.second = b.person(t, "Ruben Osei", access.NewGrant{Role: "technician"})
	for who, skills := range map[uuid.UUID][]string{b.technician: {"T2", "AU"}, b.second: {"EL", "AU"}} {
		for _, s := range skills {
			write(t, b.db, func(tx *gorm.DB) (access.Evidence, error) {
				return access.AddEvidence(tx, sys, now, who, access.NewEvidence{Skill: s, Evidence: "course", IssuedOn: "2024-01-01", ExpiresOn: &until})
			})
		}
	}
	minutes := pm.Minutes{Low: 30, Typical: 60, High: 120}
	write(t, b.db, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, sys, now, []pm.NewProcedure{{Code: "J01", Title: "Brush gearmotor swap"}})
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 2, Skills: []string{"T2", "EL"}, Minutes: minutes, LineState: "closed_hours", Energies: []string{"electrical"},
			Options: []pm.Option{{Code: "stand", Title: "Brush stays upright", People: 2, Minutes: minutes}, {Code: "lay", Title: "Brush laid down with its media on", People: 2, Minutes: minutes}},
			Checks:  []pm.Check{{Code: "SEAL", Prompt: "Seal of the shaft", Kind: "pass_fail", Options: []string{"ok", "not_ok"}}, {Code: "AMPS", Prompt: "Current empty", Kind: "number", Unit: "A", FailHigh: new(4.2)}},
			Steps: []pm.Step{{Kind: "photo", Says: "Photograph it as found.", Phase: "arrive", Records: "photos"}, {Kind: "isolate", Says: "Own lock on.", Hold: true}, {Kind: "prove_dead", Says: "Prove it.", Hold: true, Skills: []string{"AU"}},
				{Kind: "do", Says: "Mark each lead.", Skills: []string{"EL"}, Records: "leads marked"}, {Kind: "measure", Says: "Count the spacers.", Records: "spacers count", IfNot: "order MW-22005 if not 3"},
				{Kind: "do", Says: "Anti-seize on seat and threads.", Records: "anti-seize"}, {Kind: "pass_fail", Says: "Look at the seal.", Check: "SEAL"}, {Kind: "do", Says: "Sections on.", Records: "order"},
				{Kind: "do", Says: "Lay it down on the stand.", Condition: "method = lay"},
				{Kind: "measure", Says: "Set the links.", Hold: true, Skills: []string{"EL"}, Records: "volts three, links set"}, {Kind: "test", Says: "Jog and compare.", Hold: true, Records: "direction seen"},
				{Kind: "measure", Says: "Current empty.", Check: "AMPS"}, {Kind: "restore", Says: "Locks off, tell the staff.", Hold: true}}}}})
		if err != nil {
			return uuid.Nil, err
		}
		return v[0], pm.Publish(tx, sys, now, v)
	})
	b.task = write(t, b.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.RaiseTask(tx, sys, now, pm.NewTask{SiteID: &b.site.ID, LineID: &b.line.ID, PositionID: &b.left.ID, Procedure: "J01", Criticality: "B", DueOn: calendar.DateOf(now)})
	})
	return b
}

// openCard opens the card of the task by its form.
func (b *bench) openCard(t testing.TB, method string) {
	t.Helper()
	got := b.asTech.fill("/tasks/"+b.task.String()+"/job", map[string]string{"method": method})
	if got.status != http.StatusSeeOther {
		t.Fatalf("opened: %d %s", got.status, wordsOf(t, got.body))
	}
	b.path = got.head.Get("Location")
}

// stepForm finds the form of a step by its label, and what it would send.
func stepForm(t testing.TB, body, label string) (action string, sent url.Values) {
	t.Helper()
	walk(parse(t, body), func(n *html.Node) {
		if n.Data != "form" || !strings.Contains(attr(n, "action"), "/steps/") {
			return
		}
		mine := false
		walk(n, func(x *html.Node) {
			mine = mine || x.Data == "button" && strings.HasSuffix(strings.TrimSpace(textOf(x)), "Done: "+label)
		})
		if !mine {
			return
		}
		action, sent = attr(n, "action"), url.Values{}
		walk(n, func(x *html.Node) {
			if x.Data == "input" && attr(x, "type") == "hidden" {
				sent.Set(attr(x, "name"), attr(x, "value"))
			}
		})
	})
	return action, sent
}

// tick answers a step on the card as somebody.
func (b *bench) tick(t testing.TB, v *visitor, label string, fill map[string]string) answer {
	t.Helper()
	action, sent := stepForm(t, v.get(b.path).body, label)
	if action == "" {
		t.Fatalf("there is no form for %s", label)
	}
	sent.Set("outcome", "done")
	for k, val := range fill {
		sent.Set(k, val)
	}
	b.now = b.now.Add(time.Minute)
	return v.post(action, sent)
}

func (b *bench) ticked(t testing.TB, v *visitor, label string, fill map[string]string) {
	t.Helper()
	if got := b.tick(t, v, label, fill); got.status != http.StatusSeeOther {
		t.Fatalf("%s: %d %s", label, got.status, wordsOf(t, got.body))
	}
}

// declare ticks acts at the point, each by itself.
func (b *bench) declare(t testing.TB, v *visitor, acts ...isolation.Act) {
	t.Helper()
	body := v.get(b.path).body
	post := regexp.MustCompile(`action="(/jobs/[^"]+/points/[^"]+)"`).FindStringSubmatch(body)
	if post == nil {
		t.Fatalf("the card offers no acts: %s", wordsOf(t, body))
	}
	send := url.Values{"version": {"1"}, "how": {"start tried, 0 V"}, "instrument": {"tester 3"}}
	form, _, _ := strings.Cut(strings.SplitN(body, post[1], 2)[1], "</form>")
	if own := regexp.MustCompile(`name="lock" value="([^"]+)"`).FindStringSubmatch(form); own != nil {
		send.Set("lock", own[1])
	}
	for _, k := range regexp.MustCompile(`name="(key_[a-z_]+)" value="([^"]+)"`).FindAllStringSubmatch(form, -1) {
		send.Set(k[1], k[2])
		send.Set("key", k[2])
	}
	for _, a := range acts {
		send.Set(string(a), "yes")
		if send.Get("key_"+string(a)) == "" {
			t.Fatalf("the card does not offer %s", a)
		}
	}
	for range 2 { // sent twice it is there once
		b.now = b.now.Add(time.Minute)
		if got := v.post(post[1], send); got.status != http.StatusSeeOther {
			t.Fatalf("%v: %d %s", acts, got.status, wordsOf(t, got.body))
		}
	}
}

// sentBefore holds that a form of the card that was sent already is told so in words of
// whoever stands at the machine.
func (b *bench) sentBefore(t testing.TB, what string, got answer, key string) {
	t.Helper()
	text := wordsOf(t, got.body)
	if got.status != http.StatusConflict || !strings.Contains(text, "This form was sent before with other entries, and those are recorded; open the card anew and answer there.") {
		t.Errorf("%s: %d %s", what, got.status, text)
	}
	for _, never := range []string{key, "Idempotency", "choose a fresh one"} {
		if strings.Contains(text, never) {
			t.Errorf("%s: the page says %q", what, never)
		}
	}
}

// twice sends a form two times, as from a yard with bad reception: the second time it is
// answered as the first, and kept once. It gives what was sent.
func (b *bench) twice(t testing.TB, v *visitor, path string, fill map[string]string) url.Values {
	t.Helper()
	sent := v.form(path)
	for k, val := range fill {
		sent.Set(k, val)
	}
	for n := range 2 {
		b.now = b.now.Add(time.Minute)
		if got := v.post(path, sent); got.status != http.StatusSeeOther {
			t.Fatalf("%s, time %d: %d %s", path, n+1, got.status, wordsOf(t, got.body))
		}
	}
	return sent
}

func jpegOf(t testing.TB, side int) []byte {
	t.Helper()
	var out bytes.Buffer
	if err := jpeg.Encode(&out, image.NewGray(image.Rect(0, 0, side, side)), nil); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// A card from opening to signing off, by its forms alone.
func TestAJobCardIsWorkedDownByPage(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	ruben := b.as(t, b.second)
	b.openCard(t, "stand")
	page := b.asTech.get(b.path)
	tidy(t, b.path, page.body)
	visitSays(t, "the card", page, "Next: ", "Before hands go in", "it must turn", "later, after J01 2", "tells nobody that hands may go in", "Shared.", "UMB-1/B1-0-R")
	for _, words := range []string{"successfully", ">safe", "is safe", "SAFE", "Lay it down"} {
		if strings.Contains(page.body, words) {
			t.Errorf("the card says %q", words)
		}
	}
	// a picture with the step; what is none, or too large, is refused and nothing is ticked
	action, sent := stepForm(t, page.body, "J01 1")
	sent.Set("outcome", "done")
	for what, c := range map[string]struct {
		content []byte
		status  int
		says    string
	}{
		"a script named .jpg": {[]byte("<script>alert(1)</script>"), http.StatusUnprocessableEntity, "no JPEG or PNG"},
		"40 MB":               {bytes.Repeat([]byte{0xff}, 40<<20), http.StatusRequestEntityTooLarge, "at most"},
		"a poster":            {jpegOf(t, 2001), http.StatusUnprocessableEntity, "2000 pixels"},
	} {
		if got := b.asTech.send(action, sent, "photo", c.content); got.status != c.status || !strings.Contains(wordsOf(t, got.body), c.says) {
			t.Errorf("%s: %d %s", what, got.status, wordsOf(t, got.body))
		}
	}
	// an answer that is refused leaves no picture behind; a colleague who has gone is said
	for what, fill := range map[string]map[string]string{"must say why": {"outcome": "not_possible"}, "not on the list any more": {"with_id": uuid.NewString()}} {
		bad := maps.Clone(sent)
		for k, val := range fill {
			bad.Set(k, val)
		}
		if got := b.asTech.send(action, bad, "photo", jpegOf(t, 40)); got.status != http.StatusUnprocessableEntity || !strings.Contains(wordsOf(t, got.body), what) {
			t.Errorf("%s: %d %s", what, got.status, wordsOf(t, got.body))
		}
	}
	if n, err := pgdb.Read[struct{ N int }](ctx, b.db, access.System.ID, `select count(*)::int as n from photo`, nil); err != nil || n[0].N != 0 {
		t.Errorf("%v pictures are kept, %v", n, err)
	}
	for range 2 {
		b.now = b.now.Add(time.Minute)
		if got := b.asTech.send(action, sent, "photo", jpegOf(t, 40)); got.status != http.StatusSeeOther {
			t.Fatalf("with a picture: %d %s", got.status, wordsOf(t, got.body))
		}
	}
	other := maps.Clone(sent)
	other.Set("note", "and one more thing")
	b.sentBefore(t, "changed and sent again", b.asTech.send(action, other, "photo", jpegOf(t, 40)), sent.Get("key"))
	b.sentBefore(t, "with another picture", b.asTech.send(action, sent, "photo", jpegOf(t, 41)), sent.Get("key"))
	page = b.asTech.get(b.path)
	photo := regexp.MustCompile(`/photos/[0-9a-f-]+`).FindAllString(page.body, -1)
	if len(photo) != 1 || b.asTech.get(photo[0]).status != http.StatusOK {
		t.Fatalf("the pictures are %v", photo)
	}
	// as large as a picture may be, with the form around it
	large := jpegOf(t, 40)
	large = append(large, make([]byte, assets.MostPhotoBytes-len(large))...)
	if got := b.asTech.send(b.path+"/note", url.Values{"key": {uuid.NewString()}, "note": {"the large one"}}, "photo", large); got.status != http.StatusSeeOther {
		t.Errorf("a large picture: %d %s", got.status, wordsOf(t, got.body))
	}
	// a counter, a note; one that was taken out of use is not asked for
	began := now.AddDate(-1, 0, 0)
	gone := write(t, b.db, func(tx *gorm.DB) (meters.Meter, error) {
		m, err := meters.Add(tx, access.System, now, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/TC-0", Kind: "wash_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &b.line.ID}, From: &began, SiteID: b.site.ID})
		if err == nil {
			err = tx.Exec(`update meter set during = tstzrange(lower(during), ?) where id = ?`, now.AddDate(0, -1, 0), m.ID).Error
		}
		return m, err
	})
	if form := b.asTech.get(b.path + "/readings"); strings.Contains(form.body, gone.ID.String()) || !strings.Contains(form.body, b.hours.ID.String()) {
		t.Error("the counters asked for are others than those that count")
	}
	value := "value_" + b.hours.ID.String()
	got := b.asTech.fill(b.path+"/readings", map[string]string{value: "", value + "_unit": "5"})
	if got.status != http.StatusUnprocessableEntity {
		t.Errorf("tenths alone: %d", got.status)
	}
	if got = b.asTech.fill(b.path+"/readings", map[string]string{value: "123456"}); got.status != http.StatusUnprocessableEntity || !strings.Contains(wrongs(t, got.body)[value], "must lie below") {
		t.Errorf("a wheel too many: %d %v", got.status, wrongs(t, got.body))
	}
	b.twice(t, b.asTech, b.path+"/readings", map[string]string{value: "1234", value + "_unit": "5"})
	note := b.twice(t, b.asTech, b.path+"/note", map[string]string{"note": "leads U1-L1 V1-L2 W1-L3 as found"})
	note.Set("note", "leads U1-L1 as found")
	if got = b.asTech.post(b.path+"/note", note); got.status != http.StatusConflict || !strings.Contains(wordsOf(t, got.body), "What you typed is kept") {
		t.Errorf("changed and sent again: %d %s", got.status, wordsOf(t, got.body))
	}
	if n := strings.Count(wordsOf(t, b.asTech.get(b.path).body), "W1-L3 as found"); n != 1 {
		t.Errorf("the note is there %d times", n)
	}
	visitSays(t, "what is booked", b.asTech.get(b.path), "read a counter, UMB-1/H-L 1234.5", "leads U1-L1 V1-L2 W1-L3 as found", "Photo")

	// locks: each the own one, and twice sent is once
	b.declare(t, b.asTech, isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated, isolation.Locked)
	b.declare(t, ruben, isolation.Locked)
	b.declare(t, b.asTech, isolation.Relieved, isolation.Proved)
	page = b.asTech.get(b.path)
	visitSays(t, "the point", page, "Lock of Imre Vasko", "Lock of Ruben Osei", "declared isolated and proved")
	if n := strings.Count(page.body, "/leave\""); n != 1 || strings.Count(page.body, "/off\"") != 1 {
		t.Errorf("of own locks %d are to be left on", n)
	}
	b.ticked(t, b.asTech, "J01 2", nil)
	b.ticked(t, b.asTech, "J01 3", nil)
	// what is written down is asked for in its own way
	page = b.asTech.get(b.path)
	visitSays(t, "the open steps", page, "Leads as found", "Spacer washers counted", "applied", "none", "As found", "Order from the bottom", "If not: order MW-22005 if not 3", "Ruben Osei (AU EL)")
	if got := b.tick(t, b.asTech, "J01 5", map[string]string{"value_spacers_count": "many"}); got.status != http.StatusUnprocessableEntity || !strings.Contains(wordsOf(t, got.body), "whole number") {
		t.Errorf("spacers in words: %d %s", got.status, wordsOf(t, got.body))
	}
	if got := b.tick(t, b.asTech, "J01 5", map[string]string{"outcome": "not_possible"}); got.status != http.StatusUnprocessableEntity {
		t.Errorf("not possible without a word: %d", got.status)
	}
	b.ticked(t, b.asTech, "J01 4", map[string]string{"value_leads_marked": "U1-L1 V1-L2 W1-L3", "with_id": b.second.String()})
	b.ticked(t, b.asTech, "J01 5", map[string]string{"value_spacers_count": "3"})
	b.ticked(t, b.asTech, "J01 6", map[string]string{"value_anti_seize": "applied", "with": "Sam"})
	b.ticked(t, b.asTech, "J01 7", map[string]string{"found": "ok"})
	b.ticked(t, b.asTech, "J01 8", map[string]string{"value_order": "AABBx4"})
	b.ticked(t, ruben, "J01 10", map[string]string{"value_volts_three": "462 460 461", "value_links_set": "high"})
	visitSays(t, "the card", b.asTech.get(b.path), "with Ruben Osei", "with Sam", "spacers count 3", "anti seize applied", "it must turn", "9 of 12 steps done")

	// a test, locks off by their owners: the first time it turns the wrong way
	b.declare(t, b.asTech, isolation.Clear, isolation.OffForTest)
	b.declare(t, ruben, isolation.OffForTest)
	b.ticked(t, b.asTech, "J01 11", map[string]string{"value_direction_seen": "counter_clockwise"})
	visitSays(t, "turned the wrong way", b.asTech.get(b.path), "it turned the wrong way", "a qualified person exchange two supply leads")
	b.declare(t, b.asTech, isolation.Isolated, isolation.BackOn)
	b.declare(t, ruben, isolation.BackOn)
	b.declare(t, b.asTech, isolation.Relieved, isolation.Proved)
	if got := ruben.fill(b.path+"/exchange", map[string]string{"leads": "L1-L2", "where": "starter"}); got.status != http.StatusSeeOther {
		t.Fatalf("exchanged: %d %s", got.status, wordsOf(t, got.body))
	}
	b.now = b.now.Add(time.Minute)
	b.declare(t, b.asTech, isolation.Clear, isolation.OffForTest)
	b.declare(t, ruben, isolation.OffForTest)
	b.ticked(t, b.asTech, "J01 11", map[string]string{"value_direction_seen": "clockwise"})
	b.ticked(t, b.asTech, "J01 12", map[string]string{"found": "3.1"})
	if got := b.asTech.get(b.path + "/sign"); got.status != http.StatusUnprocessableEntity || !strings.Contains(wordsOf(t, got.body), "lock of Imre Vasko") {
		t.Errorf("signed under locks: %d %s", got.status, wordsOf(t, got.body))
	}
	b.declare(t, b.asTech, isolation.Inspected, isolation.Unlocked)
	b.declare(t, ruben, isolation.Unlocked)
	b.declare(t, b.asTech, isolation.ToldAfter, isolation.Restored)
	b.ticked(t, b.asTech, "J01 13", nil)
	// Sam had no lock: a manager looks at it, and then nothing stands in the way
	visitSays(t, "a mark", b.asTech.get(b.path), "Sam had no own lock", "A manager looks at it")
	look := url.Values{}
	walk(parse(t, b.asManager.get(b.path).body), func(n *html.Node) {
		if n.Data == "form" && strings.HasSuffix(attr(n, "action"), "/looks") {
			walk(n, func(x *html.Node) {
				if x.Data == "input" {
					look.Set(attr(x, "name"), attr(x, "value"))
				}
			})
		}
	})
	look.Set("remark", "he held the torch from outside the guard line")
	if got := b.asManager.post(b.path+"/looks", look); got.status != http.StatusSeeOther {
		t.Fatalf("looked: %d %s", got.status, wordsOf(t, got.body))
	}
	visitSays(t, "the end", b.asTech.get(b.path), "Nothing stands in the way")
	if got := b.asTech.fill(b.path+"/sign", map[string]string{"handed_to": "Pat", "minutes": "75"}); got.status != http.StatusSeeOther {
		t.Fatalf("signed: %d %s", got.status, wordsOf(t, got.body))
	}
	visitSays(t, "signed", b.asTech.get(b.path), "Signed off", "handed over to Pat", "12 steps answered")
	n, err := pgdb.Read[struct{ N int }](ctx, b.db, access.System.ID, `select count(*)::int as n from completion as c join task as t on t.id = c.task_id and t.state = 'done' where t.id = @task`, map[string]any{"task": b.task})
	if err != nil || n[0].N != 1 {
		t.Errorf("completed is %v, %v", n, err)
	}
	if got := b.asOwner.get(b.path); got.status != http.StatusForbidden {
		t.Errorf("an owner: %d", got.status)
	}
}

// What was sent before a colleague was renamed or left is the same afterwards, and who chooses
// them then is told without a key of ours.
func TestACardKnowsWhoWasThereBeforeTheyLeft(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.openCard(t, "stand")
	action, sent := stepForm(t, b.asTech.get(b.path).body, "J01 1")
	sent.Set("outcome", "done")
	sent.Set("with_id", b.second.String())
	send := func(form url.Values) answer {
		b.now = b.now.Add(time.Minute)
		return b.asTech.send(action, form, "photo", jpegOf(t, 40))
	}
	if got := send(sent); got.status != http.StatusSeeOther {
		t.Fatalf("sent: %d %s", got.status, wordsOf(t, got.body))
	}
	for _, gone := range []bool{false, true} {
		name := map[bool]string{false: "Ruben Osei-Brandt", true: "Ruben Osei"}[gone]
		write(t, b.db, func(tx *gorm.DB) (access.Account, error) {
			a, err := access.OneAccount(ctx, b.db, access.System, b.second)
			if err != nil {
				return a, err
			}
			return access.EditAccount(tx, access.System, now, b.second, a.Version, name, gone)
		})
		if got := send(sent); got.status != http.StatusSeeOther {
			t.Errorf("sent again when they are %s, gone: %v: %d %s", name, gone, got.status, wordsOf(t, got.body))
		}
		if !gone {
			continue
		}
		fresh := maps.Clone(sent)
		fresh.Set("key", uuid.NewString())
		got := send(fresh)
		if text := wordsOf(t, got.body); got.status != http.StatusUnprocessableEntity || !strings.Contains(text, "The colleague who was chosen is not on the list any more: choose another") || strings.Contains(text, b.second.String()) {
			t.Errorf("chosen afterwards: %d %s", got.status, text)
		}
	}
	visitSays(t, "the card", b.asTech.get(b.path), "Imre Vasko with Ruben Osei")
	if n := b.count(t, `select count(*)::int as n from record_entry`); n != 1 {
		t.Errorf("%d entries are kept", n)
	}
}

// The work on a whole line, and that of a site as such, is pictured as well, with the same checks.
func TestACardOfAWholeLineTakesPictures(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	write(t, b.db, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, access.System, now, []pm.NewProcedure{{Code: "J30", Title: "Walk along the line"}})
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Minutes: pm.Minutes{Low: 5, Typical: 10, High: 20}, LineState: "running",
			Checks: []pm.Check{{Code: "LEADS", Prompt: "Leads as found", Kind: "photo"}},
			Steps:  []pm.Step{{Kind: "photo", Says: "Photograph the leads as found.", Check: "LEADS"}, {Kind: "do", Says: "Look for loose covers."}}}}})
		if err != nil {
			return uuid.Nil, err
		}
		return v[0], pm.Publish(tx, access.System, now, v)
	})
	for what, line := range map[string]*uuid.UUID{"a whole line": &b.line.ID, "a site": nil} {
		task := write(t, b.db, func(tx *gorm.DB) (uuid.UUID, error) {
			return pm.RaiseTask(tx, access.System, now, pm.NewTask{SiteID: &b.site.ID, LineID: line, Procedure: "J30", Criticality: "B", DueOn: calendar.DateOf(now)})
		})
		got := b.asTech.fill("/tasks/"+task.String()+"/job", nil)
		if got.status != http.StatusSeeOther {
			t.Fatalf("%s: %d %s", what, got.status, wordsOf(t, got.body))
		}
		b.path = got.head.Get("Location")
		before := b.count(t, `select count(*)::int as n from photo`)
		for _, c := range []struct {
			label   string
			content []byte
			status  int
			says    string
		}{
			{"J30 1", []byte("<script>alert(1)</script>"), http.StatusUnprocessableEntity, "no JPEG or PNG"},
			{"J30 1", jpegOf(t, 2001), http.StatusUnprocessableEntity, "2000 pixels"},
			{"J30 1", bytes.Repeat([]byte{0xff}, 40<<20), http.StatusRequestEntityTooLarge, "at most"},
			{"J30 1", jpegOf(t, 40), http.StatusSeeOther, ""},
			{"J30 2", jpegOf(t, 40), http.StatusSeeOther, ""},
		} {
			action, sent := stepForm(t, b.asTech.get(b.path).body, c.label)
			sent.Set("outcome", "done")
			for range 2 { // sent twice it is there once
				b.now = b.now.Add(time.Minute)
				if got := b.asTech.send(action, sent, "photo", c.content); got.status != c.status || !strings.Contains(wordsOf(t, got.body), c.says) {
					t.Errorf("%s, %s: %d %s", what, c.label, got.status, wordsOf(t, got.body))
				}
			}
		}
		note := b.asTech.form(b.path + "/note")
		note.Set("note", "the cover of the second arch is loose")
		if got := b.asTech.send(b.path+"/note", note, "photo", jpegOf(t, 41)); got.status != http.StatusSeeOther {
			t.Errorf("%s, a note: %d %s", what, got.status, wordsOf(t, got.body))
		}
		page := b.asTech.get(b.path)
		visitSays(t, what, page, b.site.Name+" · job", "No isolation point is recorded for this work.")
		visitSays(t, what, b.asTech.get(b.path+"/note"), "Walk along the line, "+b.site.Name)
		shots := slices.Compact(regexp.MustCompile(`/photos/[0-9a-f-]+`).FindAllString(page.body, -1))
		if !slices.Contains(links(t, page.body), shots[0]+"/withdraw") {
			t.Errorf("%s: nothing leads to where a picture is withdrawn", what)
		}
		if len(shots) != 3 || b.count(t, `select count(*)::int as n from photo`) != before+3 {
			t.Fatalf("%s: its card shows %v", what, shots)
		}
		for _, shot := range shots {
			if b.asTech.get(shot).status != http.StatusOK {
				t.Errorf("%s: the picture %s does not open", what, shot)
			}
		}
		if got := b.asTech.fill(shots[0]+"/withdraw", map[string]string{"reason": "a face is on it"}); got.status != http.StatusSeeOther || b.asTech.get(shots[0]).status != http.StatusNotFound || b.asTech.get(got.head.Get("Location")).status != http.StatusOK {
			t.Errorf("%s: withdrawn: %d %s", what, got.status, got.head.Get("Location"))
		}
		if got := b.asTech.fill(b.path+"/sign", nil); got.status != http.StatusSeeOther {
			t.Errorf("%s: signed: %d %s", what, got.status, wordsOf(t, got.body))
		}
	}
}

// Of several counters one is mistyped: the others are recorded, the form says so, and when
// it is sent again none is recorded twice.
func TestAMistypedCounterRecordsNoOtherTwice(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	began := now.AddDate(-1, 0, 0)
	of := write(t, b.db, func(tx *gorm.DB) (meters.Meter, error) {
		return meters.Add(tx, access.System, now, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/TC-L", Kind: "wash_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &b.line.ID}, From: &began, SiteID: b.site.ID})
	})
	b.openCard(t, "stand")
	path, hours, total := b.path+"/readings", "value_"+b.hours.ID.String(), "value_"+of.ID.String()
	kept := func(want int) {
		t.Helper()
		if n := b.count(t, `select count(*)::int as n from record_entry where act = 'reading'`); n != want {
			t.Fatalf("%d readings are kept, want %d", n, want)
		}
	}
	sent := b.asTech.form(path)
	sent.Set(hours, "123456") // a wheel too many
	sent.Set(total, "70123")
	b.now = b.now.Add(time.Minute)
	got := b.asTech.post(path, sent)
	if got.status != http.StatusUnprocessableEntity || !strings.Contains(wrongs(t, got.body)[hours], "must lie below") {
		t.Fatalf("a wheel too many: %d %v", got.status, wrongs(t, got.body))
	}
	const already = "UMB-1/TC-L is recorded already, and is left blank here."
	if text := wordsOf(t, got.body); !strings.Contains(text, already) {
		t.Errorf("what is recorded is not said: %s", text)
	}
	kept(1)
	again := sheetOf(t, got.body)
	if again.Get(total) != "" || again.Get(hours) != "123456" {
		t.Errorf("the form comes back with %q and %q", again.Get(hours), again.Get(total))
	}
	again.Set(hours, "1234")
	again.Set(hours+"_unit", "5")
	b.now = b.now.Add(time.Minute)
	if got = b.asTech.post(path, again); got.status != http.StatusSeeOther {
		t.Fatalf("mended: %d %s", got.status, wordsOf(t, got.body))
	}
	kept(2)
	// one goes back to a form that was sent, and changes one of two
	again.Set(total, "70123") // as it was sent at first
	again.Set(hours, "1235")
	got = b.asTech.post(path, again)
	if got.status != http.StatusConflict {
		t.Fatalf("changed since: %d %s", got.status, wordsOf(t, got.body))
	}
	if text := wordsOf(t, got.body); !strings.Contains(text, already) || !strings.Contains(text, "What you typed is kept") {
		t.Errorf("what is recorded is not said: %s", text)
	}
	again = sheetOf(t, got.body)
	if again.Get(total) != "" || again.Get(hours) != "1235" {
		t.Errorf("the form comes back with %q and %q", again.Get(hours), again.Get(total))
	}
	if got = b.asTech.post(path, again); got.status != http.StatusSeeOther {
		t.Fatalf("sent once more: %d %s", got.status, wordsOf(t, got.body))
	}
	kept(3)
}

// What was measured in another unit than the check's is said with its unit, on the card and
// in what is completed. 1 in is 25.4 mm exactly (NIST SP 811 (2008), appendix B.8).
func TestAMeasureOnACardKeepsItsUnit(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	write(t, b.db, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, access.System, now, []pm.NewProcedure{{Code: "J02", Title: "Gap of the guide"}})
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Minutes: pm.Minutes{Low: 5, Typical: 10, High: 20}, LineState: "running",
			Checks: []pm.Check{{Code: "GAP", Prompt: "Gap of the guide", Kind: "number", Unit: "mm", FailHigh: new(3.0)}}, Steps: []pm.Step{{Kind: "measure", Says: "Measure the gap.", Check: "GAP"}}}}})
		if err != nil {
			return uuid.Nil, err
		}
		return v[0], pm.Publish(tx, access.System, now, v)
	})
	for _, c := range []struct {
		fill      map[string]string
		card      string
		found     float64
		typed     string
		left      *float64
		leftTyped string
	}{
		{map[string]string{"found": "0.08", "unit": "in"}, "found 0.08 in", 2.032, "0.08 in", nil, ""},
		{map[string]string{"found": "4", "left": "2", "unit": "mm"}, "found 4 mm, left 2 mm", 4, "4 mm", new(2.0), "2 mm"},
		{map[string]string{"found": "0.08", "left": "0.06", "unit": "in"}, "found 0.08 in, left 0.06 in", 2.032, "0.08 in", new(1.524), "0.06 in"},
	} {
		got := b.asTech.fill("/positions/"+b.left.ID.String()+"/job", map[string]string{"work": "J02"})
		if got.status != http.StatusSeeOther {
			t.Fatalf("opened: %d %s", got.status, wordsOf(t, got.body))
		}
		b.path = got.head.Get("Location")
		b.ticked(t, b.asTech, "J02 1", c.fill)
		visitSays(t, c.card, b.asTech.get(b.path), c.card)
		if got := b.asTech.fill(b.path+"/sign", nil); got.status != http.StatusSeeOther {
			t.Fatalf("signed: %d %s", got.status, wordsOf(t, got.body))
		}
		type answer struct {
			Found      float64
			FoundTyped string
			LeftAt     *float64
			LeftTyped  string
		}
		all, err := pgdb.Read[answer](ctx, b.db, access.System.ID, `select found, found_typed, left_at, left_typed from check_answer where code = 'GAP' order by at desc limit 1`, nil)
		if err != nil || len(all) != 1 {
			t.Fatalf("%s: %v, %v", c.card, all, err)
		}
		a := all[0]
		if a.Found != c.found || a.FoundTyped != c.typed || a.LeftTyped != c.leftTyped || (a.LeftAt == nil) != (c.left == nil) || c.left != nil && *a.LeftAt != *c.left {
			t.Errorf("%s: kept is %+v", c.card, a)
		}
	}
	// where nothing was measured the unit says nothing
	got := b.asTech.fill("/positions/"+b.left.ID.String()+"/job", map[string]string{"work": "J02"})
	b.path = got.head.Get("Location")
	b.ticked(t, b.asTech, "J02 1", map[string]string{"outcome": "not_possible", "note": "the cover is stuck", "unit": "in"})
	if text := wordsOf(t, b.asTech.get(b.path).body); strings.Contains(text, "found in") {
		t.Errorf("nothing was found: %s", text)
	}
	// its counter becomes another meanwhile: the page says which, and shows no key of ours
	if got := b.asTech.fill(b.path+"/readings", map[string]string{"value_" + b.hours.ID.String(): "1234", "value_" + b.hours.ID.String() + "_unit": "5"}); got.status != http.StatusSeeOther {
		t.Fatalf("read: %d %s", got.status, wordsOf(t, got.body))
	}
	write(t, b.db, func(tx *gorm.DB) ([]meters.Run, error) {
		return meters.Joined(tx, access.System, b.now, b.hours.ID, meters.Join{At: b.now.Add(-time.Minute), How: "replaced", OldLast: "0", NewFirst: "0", Counter: meters.Counter{Digits: new(3), Decimals: 1}, Reason: "glass broken"})
	})
	got = b.asTech.fill(b.path+"/sign", nil)
	if text := wordsOf(t, got.body); got.status != http.StatusUnprocessableEntity || !strings.Contains(text, "The reading 1234.5 of UMB-1/H-L must lie below") || strings.Contains(text, "entries") {
		t.Errorf("signed with a reading that cannot be booked: %d %s", got.status, text)
	}
}

// Locks outlive a shift: left on with a name to it, and another's comes off by the rule alone.
func TestALockIsLeftOnAndAnothersIsNotTakenLightly(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	b.openCard(t, "lay")
	visitSays(t, "the other way", b.asTech.get(b.path), "of 13 steps")
	b.declare(t, b.asTech, isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated, isolation.Locked)
	// the key of one tick with another act
	form := b.asTech.get(b.path).body
	post, key := regexp.MustCompile(`action="(/jobs/[^"]+/points/[^"]+)"`).FindStringSubmatch(form)[1], uuid.NewString()
	for _, act := range []string{"relieved", "inspected"} {
		got := b.asTech.post(post, url.Values{"version": {"1"}, "key": {key}, "key_" + act: {key}, act: {"yes"}})
		if act == "inspected" {
			b.sentBefore(t, "another act", got, key)
		} else if got.status != http.StatusSeeOther {
			t.Errorf("%s: %d %s", act, got.status, wordsOf(t, got.body))
		}
	}
	lock := regexp.MustCompile(`/locks/[0-9a-f-]+`).FindString(b.asTech.get(b.path).body)
	ruben := b.as(t, b.second)
	for _, c := range []struct {
		v    *visitor
		path string
		want int
	}{{b.asTech, lock + "/leave", 200}, {b.asTech, lock + "/off", 409}, {ruben, lock + "/leave", 409}, {ruben, lock + "/off", 200}, {b.asOwner, lock + "/off", 403}, {b.asStaff, lock + "/off", 200}, {b.asTech, "/locks/" + uuid.NewString() + "/leave", 404}} {
		if got := c.v.get(c.path); got.status != c.want {
			t.Errorf("%s: %d, want %d", c.path, got.status, c.want)
		}
	}
	if got := b.asTech.fill(lock+"/leave", map[string]string{"until": "2026-11-24T06:00"}); got.status != http.StatusUnprocessableEntity || wrongs(t, got.body)["until"] == "" {
		t.Errorf("until yesterday: %d %v", got.status, wrongs(t, got.body))
	}
	b.twice(t, b.asTech, lock+"/leave", map[string]string{"until": "2026-11-26T06:00", "handed_to": "Ruben Osei", "note": "motor hangs in the sling"})
	visitSays(t, "the list of locks", ruben.get("/jobs"), "Imre Vasko", "Left on until", "handed to Ruben Osei", "The owner is not there")
	visitSays(t, "the rule", ruben.get(lock+"/off"), "Each takes off the own lock", "the employer's own written rule", "29 CFR 1910.147 (e)(3)")
	if got := ruben.fill(lock+"/off", map[string]string{"not_here": "rang the office", "tried": "called three times", "knows": ""}); got.status != http.StatusUnprocessableEntity || wrongs(t, got.body)["knows"] == "" {
		t.Errorf("with two of three: %d %v", got.status, wrongs(t, got.body))
	}
	if b.now = b.now.Add(time.Hour); !strings.Contains(b.asTech.get(b.path).body, "Lock of <strong>") {
		t.Error("the lock has gone")
	}
	b.twice(t, ruben, lock+"/off", map[string]string{"not_here": "rang the office", "tried": "called three times", "knows": "the manager tells him"})
	if got := ruben.get(lock + "/off"); got.status != http.StatusConflict || !strings.Contains(wordsOf(t, got.body), "is off since") {
		t.Errorf("once it is off: %d %s", got.status, wordsOf(t, got.body))
	}
	visitSays(t, "a manager must look", b.asTech.get(b.path), "No lock is declared on it", "taken off by Ruben Osei for Imre Vasko", "for a manager to look at")
}

// Opening asks for what nobody can know: in which way, and by which procedure.
func TestOpeningACardAsksForTheWay(t *testing.T) {
	t.Parallel()
	b := newBench(t)
	form := "/positions/" + b.left.ID.String() + "/job"
	got := b.asTech.fill(form, map[string]string{"work": "J01"})
	next := got.head.Get("Location")
	if got.status != http.StatusSeeOther || !strings.HasPrefix(next, form+"?work=J01") {
		t.Fatalf("it went to %d %s", got.status, next)
	}
	visitSays(t, "the ways", b.asTech.get(next), "Brush laid down with its media on, 2 people, about 60 minutes")
	got = b.asTech.fill(next, map[string]string{"method": "lay"})
	card := got.head.Get("Location")
	if got.status != http.StatusSeeOther || !strings.HasPrefix(card, "/jobs/") {
		t.Fatalf("opened: %d %s", got.status, wordsOf(t, got.body))
	}
	// a task that came without steps
	bare := write(t, b.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.RaiseTask(tx, access.System, now, pm.NewTask{SiteID: &b.site.ID, LineID: &b.line.ID, Title: "It smells of hot oil", Criticality: "B", DueOn: calendar.DateOf(now)})
	})
	visitSays(t, "without steps", b.asTech.get("/tasks/"+bare.String()+"/job"), "By which procedure is it done?", "It smells of hot oil")
	form = "/tasks/" + bare.String() + "/job"
	got = b.asTech.fill(form, map[string]string{"work": "J01"})
	if next = got.head.Get("Location"); got.status != http.StatusSeeOther || next != form+"?work=J01" {
		t.Fatalf("it went to %d %s", got.status, next)
	}
	visitSays(t, "the ways of a task without steps", b.asTech.get(next), "In which way?", "Brush stays upright, 2 people")
	if got = b.asTech.fill(next, map[string]string{"method": "lay"}); got.status != http.StatusSeeOther || !strings.HasPrefix(got.head.Get("Location"), "/jobs/") {
		t.Fatalf("opened: %d %s", got.status, wordsOf(t, got.body))
	}
	visitSays(t, "in the way that was chosen", b.asTech.get(got.head.Get("Location")), "Lay it down on the stand", "of 13 steps")
	if got := b.asOwner.get("/tasks/" + b.task.String() + "/job"); got.status != http.StatusForbidden {
		t.Errorf("an owner: %d", got.status)
	}
	if got := b.asTech.get("/tasks/" + uuid.NewString() + "/job"); got.status != http.StatusNotFound {
		t.Errorf("no task: %d", got.status)
	}
}

// The card and its forms on a phone and on a desk.
func TestPagesOfAJobFitAPhone(t *testing.T) {
	b := newBench(t)
	(&store{ground: b.ground}).fill(t) // something is fitted that can come out
	b.openCard(t, "stand")
	b.ticked(t, b.asTech, "J01 1", nil)
	b.declare(t, b.asTech, isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated, isolation.Locked, isolation.Relieved, isolation.Proved)
	b.ticked(t, b.asTech, "J01 2", nil)
	b.ticked(t, b.asTech, "J01 3", nil)
	lock := regexp.MustCompile(`/locks/[0-9a-f-]+`).FindString(b.asTech.get(b.path).body)
	fits(t, b.house, map[uuid.UUID][]string{b.technician: {b.path, b.path + "/readings", b.path + "/note", b.path + "/swap", b.path + "/part", b.path + "/exchange", b.path + "/add", b.path + "/sign", b.path + "/stop",
		lock + "/leave", "/jobs", "/positions/" + b.left.ID.String() + "/job?work=J01"}, b.second: {lock + "/off"}})
}

// What goes in on a card is offered by whether it fits the slot, with the reason, and a unit of
// another kind is refused where it is chosen, not when the job is signed off.
func TestACardOffersWhatFits(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	hub := write(t, s.db, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.hubPart.ID, Serial: "HUB-7"}})
	})
	s.put(t, hub, assets.Place{LocationID: &s.warehouse.ID}, now.AddDate(0, -1, 0), "day")
	began := now.AddDate(0, -6, 0)
	for _, f := range [][2]string{{"frame_standard", "IEC"}} { // what the brush takes, other than these motors
		write(t, s.db, func(tx *gorm.DB) (assets.Fact, error) {
			return assets.Record(tx, access.System, now, s.left.ID, assets.NewFact{Fact: f[0], Value: f[1], How: "seen", From: &began, SeenAt: &began, SeenBy: "Imre"})
		})
	}
	task := write(t, s.db, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, access.System, now, []pm.NewProcedure{{Code: "J01", Title: "Brush gearmotor swap"}})
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 20, Typical: 40, High: 90}, LineState: "not_applicable", Steps: []pm.Step{{Kind: "do", Says: "Swap it."}}}}})
		if err == nil {
			err = pm.Publish(tx, access.System, now, v)
		}
		if err != nil {
			return uuid.Nil, err
		}
		return pm.RaiseTask(tx, access.System, now, pm.NewTask{SiteID: &s.site.ID, LineID: &s.line.ID, PositionID: &s.left.ID, Procedure: "J01", Criticality: "B", DueOn: calendar.DateOf(now), LatestOn: calendar.DateOf(now) + 5})
	})
	open := "/tasks/" + task.String() + "/job"
	card := s.asTech.post(open, s.asTech.form(open)).head.Get("Location")
	page := s.asTech.get(card + "/swap")
	visitSays(t, "the form", page, "What goes in?", "Gearmotor · "+s.spare.Tag, "Frame standard")
	swap := s.asTech.form(card + "/swap")
	for name, value := range map[string]string{"slot": s.slot(t, s.left, "gearmotor").String(), "reason": "failed", "to": s.returns.ID.String(), "in": hub.ID.String()} {
		swap.Set(name, value)
	}
	if a := s.asTech.post(card+"/swap", swap); a.status != http.StatusUnprocessableEntity || !strings.Contains(wrongs(t, a.body)["in"], "Goes into no such slot: "+hub.Tag+" is MW-21010, hub") {
		t.Errorf("a hub for a gearmotor: %d %v", a.status, wrongs(t, a.body))
	}
	swap.Set("in", "")
	if a := s.asTech.post(card+"/swap", swap); a.status != http.StatusUnprocessableEntity || wrongs(t, a.body)["in"] == "" {
		t.Errorf("nothing chosen: %d %v", a.status, wrongs(t, a.body))
	}
	swap.Set("in", s.spare.ID.String())
	for range 2 {
		if a := s.asTech.post(card+"/swap", swap); a.status != http.StatusSeeOther {
			t.Errorf("a gearmotor: %d %v %s", a.status, wrongs(t, a.body), wordsOf(t, a.body))
		}
	}
	visitSays(t, "the card", s.asTech.get(card), "changed the gearmotor, in "+s.spare.Tag)
}
