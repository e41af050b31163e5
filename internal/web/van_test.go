package web_test

import (
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

// lies reads how much of a part lies at a place.
func (r *rounds) lies(t testing.TB, at assets.Location, number string) string {
	t.Helper()
	all, err := stock.Lines(ctx, r.db, access.System, now, stock.LineFilter{LocationID: &at.ID}, stock.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range all {
		if l.PartNumber == number {
			return l.OnHand.String()
		}
	}
	return "0"
}

// What the day lacks is loaded from the page that says so: at once, and once however often it
// is sent; what is set aside for the visit goes along as such, and what somebody else was
// faster to take is said and moves nothing.
func TestTheVanIsLoadedFromItsCheck(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	shaft := write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return pgdb.ID(tx, `select id from part where number = 'MW-20110'`)
	})
	more := func(n int64) {
		write(t, r.db, func(tx *gorm.DB) ([]stock.Movement, error) {
			return stock.Move(tx, access.System, now, []stock.Moving{{Kind: "receive", PartID: shaft, Amount: amount.Of(n), To: &r.warehouse.ID, Sure: true, Reason: "count"}})
		})
	}
	more(2)
	if err := visits.Settle(ctx, r.db, now, r.visit); err != nil {
		t.Fatal(err)
	}
	claims, err := stock.Claims(ctx, r.db, access.System, stock.ClaimFilter{PartID: &shaft, Held: true}, stock.Page{Limit: 5})
	if err != nil || len(claims) != 1 || claims[0].Amount != amount.Of(2) {
		t.Fatalf("the visit holds %+v, %v", claims, err)
	}
	write(t, r.db, func(tx *gorm.DB) ([]stock.Claim, error) {
		return stock.SetAside(tx, access.System, now, claims[0].ID, claims[0].Version, stock.Aside{LocationID: r.warehouse.ID})
	})

	on := "?on=" + r.on.String() + "&person=" + r.technician.String()
	visitSays(t, "the check", r.asTech.get("/van"+on), "To fetch", "2 ea and perhaps 1 ea MW-20110", "Fetch 2 from warehouse WH", "Load what is missing", "Worth taking as well 1 ea MW-20110", "In the van already", "Tools and protective gear")
	if a := r.asOwner.get("/van/load" + on); a.status != http.StatusForbidden {
		t.Errorf("an owner loads: %d", a.status)
	}
	sent := r.asTech.form("/van/load" + on)
	names := slices.Sorted(maps.Keys(sent))
	var of []string
	for _, n := range names {
		if strings.HasPrefix(n, "n_") {
			of = append(of, n)
		}
	}
	if len(of) != 1 || sent.Get(of[0]) != "2" {
		t.Fatalf("the form sends %v", sent)
	}
	for what, c := range map[string]struct {
		value, says string
		status      int
	}{
		"nothing":         {"", "Nothing is to be loaded", http.StatusUnprocessableEntity},
		"letters":         {"two", "", http.StatusUnprocessableEntity},
		"less than none":  {"-1", "", http.StatusUnprocessableEntity},
		"more than is":    {"9", "more than there is", http.StatusConflict},
		"parts of a part": {"0.5", "", http.StatusUnprocessableEntity},
	} {
		bad := maps.Clone(sent)
		bad.Set(of[0], c.value)
		a := r.asTech.post("/van/load"+on, bad)
		if words := wordsOf(t, a.body); a.status != c.status || !strings.Contains(words, c.says) || !strings.Contains(words, "needs another look") {
			t.Errorf("%s: %d %s", what, a.status, words)
		}
		if got := r.lies(t, r.van, "MW-20110"); got != "0" {
			t.Errorf("%s: %s lie in the van", what, got)
		}
	}
	forged := maps.Clone(sent)
	forged["n_x_y_z_w"] = []string{"1"}
	if a := r.asTech.post("/van/load"+on, forged); a.status != http.StatusNotFound {
		t.Errorf("a field that there is not: %d %s", a.status, wordsOf(t, a.body))
	}
	for range 2 {
		if a := r.asTech.post("/van/load"+on, sent); a.status != http.StatusSeeOther || a.head.Get("Location") != "/van"+on {
			t.Fatalf("loaded: %d %s %s", a.status, a.head.Get("Location"), wordsOf(t, a.body))
		}
	}
	if van, shelf := r.lies(t, r.van, "MW-20110"), r.lies(t, r.warehouse, "MW-20110"); van != "2" || shelf != "1" {
		t.Errorf("%s in the van, %s on the shelf", van, shelf)
	}
	claims, err = stock.Claims(ctx, r.db, access.System, stock.ClaimFilter{PartID: &shaft, Held: true}, stock.Page{Limit: 5})
	if err != nil || len(claims) != 1 || claims[0].Location != "V1" {
		t.Errorf("afterwards the visit holds %+v, %v", claims, err)
	}
	after := r.asTech.get("/van" + on)
	visitSays(t, "what is loaded", after, "2 ea and perhaps 1 ea MW-20110 shaft, 1-3/8 in In the van: 2.", "Worth taking as well 1 ea MW-20110")
	if words := wordsOf(t, after.body); strings.Contains(words, "To fetch") || strings.Contains(words, "Fetch 2") {
		t.Errorf("it is still to be fetched: %s", words)
	}

	// what is worth taking is gone by the time that it is sent
	last := r.asTech.form("/van/load" + on)
	for n := range last {
		if strings.HasPrefix(n, "n_") {
			last.Set(n, "1")
		}
	}
	write(t, r.db, func(tx *gorm.DB) ([]stock.Movement, error) {
		return stock.Move(tx, access.System, now, []stock.Moving{{Kind: "sale", PartID: shaft, Amount: amount.One, From: &r.warehouse.ID, Reason: "over the counter"}})
	})
	if a := r.asTech.post("/van/load"+on, last); a.status != http.StatusConflict || !strings.Contains(wordsOf(t, a.body), "MW-20110 is more than there is") {
		t.Errorf("gone meanwhile: %d %s", a.status, wordsOf(t, a.body))
	}
	if a := r.asTech.get("/van/load" + on); a.status != http.StatusOK || !strings.Contains(wordsOf(t, a.body), "Nothing is to be loaded") {
		t.Errorf("with nothing to load: %d %s", a.status, wordsOf(t, a.body))
	}
	write(t, r.db, func(tx *gorm.DB) (bool, error) {
		one, err := visits.One(ctx, r.db, access.System, r.visit)
		if err != nil {
			return false, err
		}
		return true, visits.Change(tx, access.System, now, r.visit, one.Version, visits.Edit{Hours: visits.Hours{On: r.on, Starts: "06:00", Minutes: 240}, People: []visits.Going{{PersonID: r.technician}}})
	})
	if a := r.asTech.get("/van/load" + on); a.status != http.StatusOK || !strings.Contains(wordsOf(t, a.body), "No van is named") {
		t.Errorf("without a van: %d %s", a.status, wordsOf(t, a.body))
	}
	if a := r.asTech.post("/van/load"+on, last); a.status != http.StatusUnprocessableEntity || !strings.Contains(wordsOf(t, a.body), "Nothing is to be loaded") {
		t.Errorf("sent without a van: %d %s", a.status, wordsOf(t, a.body))
	}
}

// A day's visits stand in the list as they start, whichever was planned first.
func TestVisitsStandAsTheyStart(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	for _, starts := range []string{"20:15", "13:30"} {
		write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
			return visits.Add(tx, access.System, now, visits.New{SiteID: r.site.ID, Hours: visits.Hours{On: r.on, Starts: starts, Minutes: 60}})
		})
	}
	words := wordsOf(t, r.asManager.get("/visits").body)
	first, then, last := strings.Index(words, "06:00 to"), strings.Index(words, "13:30 to"), strings.Index(words, "20:15 to")
	if first < 0 || then < first || last < then {
		t.Errorf("they stand at %d, %d and %d: %s", first, then, last, words)
	}
}

// Whoever has opened a card for a visit may end it, though nobody told that he was there; one
// at which nobody was is called off by those who plan, and no button says otherwise.
func TestACardSaysThatSomebodyIsThere(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	ends := `href="` + r.path() + `/end"`
	if strings.Contains(r.asTech.get(r.path()).body, ends) || !strings.Contains(r.asManager.get(r.path()).body, ends) {
		t.Error("the button to end it is shown to whoever may not press it, or not to who may")
	}
	open := "/tasks/" + r.swap.String() + "/job"
	if a := r.asTech.post(open, r.asTech.form(open)); a.status != http.StatusSeeOther {
		t.Fatalf("open a card: %d %s", a.status, wordsOf(t, a.body))
	}
	if !strings.Contains(r.asTech.get(r.path()).body, ends) {
		t.Error("with a card the technician cannot end it")
	}
	end := r.asTech.form(r.path() + "/end")
	end.Set("reason", "weather")
	end.Set("why", "hail")
	if a := r.asTech.post(r.path()+"/end", end); a.status != http.StatusSeeOther {
		t.Errorf("ended: %d %s", a.status, wordsOf(t, a.body))
	}
}

// A day says what others changed about it within 24 hours, and what our people know of the
// site; what one changed oneself is no news, and an owner has no such day.
func TestADayTellsWhatOthersChanged(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	manager, _, err := access.Load(ctx, r.db, r.manager)
	if err != nil {
		t.Fatal(err)
	}
	day := "/today?on=" + r.on.String()
	quiet := r.asTech.get(day)
	visitSays(t, "a day that stands", quiet, "1 visit", secretNote) // the note of the site
	if words := wordsOf(t, quiet.body); strings.Contains(words, "Changed in the last") {
		t.Errorf("nothing changed, and it says %s", words)
	}
	change := func(who access.Actor, in visits.Edit) {
		write(t, r.db, func(tx *gorm.DB) (bool, error) {
			one, err := visits.One(ctx, r.db, access.System, r.visit)
			if err != nil {
				return false, err
			}
			return true, r.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return visits.Change(tx, who, now, r.visit, one.Version, in) })
		})
	}
	edit := visits.Edit{Hours: visits.Hours{On: r.on, Starts: "07:30", Minutes: 240}, People: []visits.Going{{PersonID: r.technician}}}
	change(manager, edit)
	visitSays(t, "after a change", r.asTech.get(day), "Changed in the last 24 hours UMB Express : at 07:30 instead of 06:00, with no van instead of van V1", "Delphine Orrick")
	tech, _, err := access.Load(ctx, r.db, r.technician)
	if err != nil {
		t.Fatal(err)
	}
	write(t, r.db, func(tx *gorm.DB) (bool, error) {
		third, err := pgdb.ID(tx, `select id from task where id <> all (cast(array[cast(? as uuid), cast(? as uuid)] as uuid[]))`, r.swap, r.look)
		if err != nil {
			return false, err
		}
		one, err := visits.One(ctx, r.db, access.System, r.visit)
		if err != nil {
			return false, err
		}
		return true, visits.PutTasks(tx, manager, now.Add(time.Minute), r.visit, one.Version, []visits.Doing{{TaskID: third}}, nil)
	})
	visitSays(t, "with one more task", r.asTech.get(day), "UMB Express : to do as well: ")

	// moved to another day: the day that it was on says so, and so does the new one
	edit.Hours.On++
	change(manager, edit)
	visitSays(t, "the day that it was on", r.asTech.get(day), "No visit on this day", "at Friday 27 November, 07:30 instead of Thursday 26 November, 07:30")
	visitSays(t, "the day that it is on", r.asTech.get("/today?on="+(r.on+1).String()), "1 visit", "at Friday 27 November, 07:30 instead of Thursday 26 November, 07:30")

	// of another's day
	if words := wordsOf(t, r.asManager.get(day).body); strings.Contains(words, "Changed in the last") {
		t.Errorf("whoever does not go reads %s", words)
	}
	if all, err := visits.NewsFor(ctx, r.db, tech, r.technician, r.on, now); err != nil || len(all) < 2 {
		t.Errorf("%v %v", all, err)
	}
	if all, err := visits.NewsFor(ctx, r.db, manager, r.technician, r.on, now); err != nil || len(all) != 0 {
		t.Errorf("whoever changed it is told %v %v", all, err)
	}
	owner, _, err := access.Load(ctx, r.db, r.owner)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := visits.NewsFor(ctx, r.db, owner, r.technician, r.on, now); fault.KindOf(err) != fault.Forbidden {
		t.Errorf("an owner is told: %v", err)
	}
}

// Those to whom we come read on their overview when we come, which line stands for it and why;
// who is ours has the board or the day for that.
func TestTheOverviewSaysWhatIsComing(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	says := "What is coming Thursday 26 November 2026, 06:00 to 10:00 No line stands for it : Arm pivot bearing replacement, Shaft check UMB Express"
	for _, who := range []*visitor{r.asOwner, r.asStaff} {
		visitSays(t, "the overview", who.get("/"), says)
	}
	visitSays(t, "the overview of site staff", r.asStaff.get("/"), "Today's round UMB-1")
	for _, who := range []*visitor{r.asManager, r.asTech} {
		if words := wordsOf(t, who.get("/").body); strings.Contains(words, "What is coming") || strings.Contains(words, "Today's round") {
			t.Errorf("one of ours reads %s", words)
		}
	}
	write(t, r.db, func(tx *gorm.DB) (bool, error) {
		id, err := pgdb.ID(tx, `select id from procedure where code = 'J07'`)
		if err != nil {
			return false, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: id, Content: pm.Content{Change: "the line stands", People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 20, Typical: 40, High: 90}, LineState: "closed_hours"}}})
		if err != nil {
			return false, err
		}
		return true, pm.Publish(tx, access.System, now, v)
	})
	visitSays(t, "with the line down", r.asOwner.get("/"), "06:00 to 10:00 UMB-1 stands from 06:00 to 10:00 : Arm pivot bearing replacement")
	visitSays(t, "the visit", r.asOwner.get(r.path()), "UMB-1 stands from 06:00 to 10:00.")
	if words := wordsOf(t, r.asOwner.get(r.path()).body); strings.Contains(words, "criticality") {
		t.Errorf("an owner reads what is at stake as a letter: %s", words)
	}

	// on the day itself one says that one has left; before it nobody can
	day := "/today?on=" + r.on.String()
	before := r.asTech.get(day)
	visitSays(t, "the evening before", before, "Tomorrow · Imre Vasko")
	if words := wordsOf(t, before.body); strings.Contains(words, "I have left") {
		t.Errorf("the evening before one can say that one has left: %s", words)
	}
	r.now = now.Add(15 * time.Hour)
	visitSays(t, "on the day", r.asTech.get(day), "Today · Imre Vasko", "I have left")
}
