package web_test

import (
	"maps"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
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
