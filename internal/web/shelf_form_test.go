package web_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/xuri/excelize/v2"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
)

// Each form about what lies where: with mistakes, well, and the same again, which changes
// nothing more.
func TestFormsAboutStock(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	wh, van, qua, road := s.warehouse.ID.String(), s.van.ID.String(), s.bad.ID.String(), s.road.ID.String()
	moved := "select count(*)::int as n from stock_movement"
	nuts := "distributor 00000000-0000-0000-0000-000000000000"
	for _, c := range []formCase{
		{name: "which part", path: "/stock/receive", v: s.asClerk, good: map[string]string{"part": "mw13001"}, rows: moved, bads: []badEntry{
			{map[string]string{"part": "no such thing"}, "part", "names no part", 422},
			{map[string]string{"part": "foam section"}, "part", "names several parts", 422},
		}},
		{name: "receive", path: "/stock/receive?part=" + s.gasket.ID.String(), v: s.asClerk, good: map[string]string{"amount": "4", "lot": "L9", "to_id": wh, "document": "DN 7"}, rows: moved, more: 1, to: at2(s.warehouse, s.gasket), bads: []badEntry{
			{map[string]string{"amount": "half"}, "amount", "digits", 422},
			{map[string]string{"amount": "0.5"}, "amount", "whole number", 422},
			{map[string]string{"lot": "L2601", "expires_on": "2030-01-01"}, "expires_on", "differs from the last day", 409},
			{map[string]string{"to_id": "nonsense"}, "to_id", "not among the choices", 422},
			{map[string]string{"owner": "customer"}, "owner_customer_id", "where the owner is a customer", 422},
		}},
		{name: "one box or one", path: "/stock/receive?part=" + s.nut.ID.String(), v: s.asClerk, good: map[string]string{"amount": "1", "to_id": wh, "sure": "yes"}, rows: moved, more: 1, bads: []badEntry{
			{map[string]string{"sure": ""}, "amount", "less than one pack of 50", 422},
		}},
		{name: "receive units", path: "/stock/receive?part=" + s.motorPart.ID.String(), v: s.asClerk, good: map[string]string{"serials": "N-1\n-\nN-2", "to_id": wh}, rows: moved, more: 3, bads: []badEntry{
			{map[string]string{"serials": "4471"}, "serials", "is on record", 409},
			{map[string]string{"serials": ""}, "serials", "must not be blank", 422},
		}},
		{name: "load", path: at2(s.warehouse, s.nut) + "/move", v: s.asTech, good: map[string]string{"what": nuts, "amount": "4", "kind": "move", "to_id": van}, rows: "select count(*)::int as n from stock_movement where kind = 'load'", more: 1, to: at2(s.warehouse, s.nut), bads: []badEntry{
			{map[string]string{"amount": "4000"}, "amount", "is more than there is", 409},
			{map[string]string{"kind": "scrap"}, "to_id", "is a van", 422},
			{map[string]string{"kind": "sale", "to_id": ""}, "reason", "is needed", 422},
			{map[string]string{"to_id": ""}, "to_id", "ends at a place", 422},
			{map[string]string{"to_id": qua}, "reason", "is needed", 422},
			{map[string]string{"to_id": s.scrap.ID.String()}, "reason", "is needed", 422},
		}},
		{name: "quarantine", path: at2(s.van, s.old) + "/move", v: s.asTech, good: map[string]string{"amount": "5", "kind": "quarantine", "to_id": qua, "reason": "withdrawn"}, rows: moved, more: 1},
		{name: "on its way", path: at2(s.warehouse, s.leafA) + "/move", v: s.asClerk, good: map[string]string{"amount": "8", "kind": "transfer_out", "to_id": road, "document": "WB 4"}, rows: moved, more: 1},
		{name: "it arrives", path: at2(s.road, s.leafA) + "/move", v: s.asClerk, good: map[string]string{"amount": "8", "kind": "transfer_in", "to_id": van}, rows: moved, more: 1},
		{name: "a unit", path: at2(s.warehouse, s.motorPart) + "/move", v: s.asTech, good: map[string]string{"what": "unit " + s.spare.ID.String(), "kind": "move", "to_id": van}, rows: moved, more: 1, bads: []badEntry{
			{map[string]string{"what": "nonsense"}, "what", "not among the choices", 422},
		}},
		{name: "use", path: at2(s.van, s.nut) + "/use", v: s.asTech, good: map[string]string{"amount": "3", "remark": "hub screws"}, rows: moved, more: 1, bads: []badEntry{
			{map[string]string{"amount": "1.5"}, "amount", "whole number", 422},
			{map[string]string{"at": "2031-01-01T00:00"}, "at", "must not lie ahead", 422},
		}},
		{name: "level", path: at2(s.other, s.nut) + "/level", v: s.asClerk, good: map[string]string{"least": "5", "most": "10"}, rows: "select count(*)::int as n from stock_level", more: 1, bads: []badEntry{
			{map[string]string{"most": "4"}, "most", "not below the least", 422},
		}},
		{name: "fill up", path: "/locations/" + s.other.ID.String() + "/fill", v: s.asTech, good: map[string]string{}, rows: moved, more: 1, bads: []badEntry{
			{map[string]string{"n_" + s.nut.ID.String(): "9000"}, "n_" + s.nut.ID.String(), "more than there is", 409},
			{map[string]string{"n_" + s.nut.ID.String(): ""}, "", "Nothing is to be carried over", 422},
		}},
		{name: "fill up with the last one", path: "/locations/" + s.shelf.ID.String() + "/fill?from=" + wh, v: s.asTech, good: map[string]string{"n_" + s.leafB.ID.String(): "7"}, rows: moved, more: 1},
		{name: "a container", path: at2(s.warehouse, s.oil) + "/open", v: s.asTech, good: map[string]string{"lot": "OIL-7"}, rows: "select count(*)::int as n from open_container", more: 1},
		{name: "more time", path: at2(s.van, s.gasket) + "/extend", v: s.asClerk, good: map[string]string{"until": "2027-12-07", "reason": "supple, no cracks", "evidence": "report 7"}, rows: "select count(*)::int as n from lot_extension", more: 1, bads: []badEntry{
			{map[string]string{"until": "2026-01-01"}, "until", "lies after", 422},
			{map[string]string{"evidence": ""}, "evidence", "must not be blank", 422},
		}},
		{name: "bench", path: "/units/" + s.spare.ID.String() + "/prepare", v: s.asTech, good: map[string]string{"gearmotor_orientation": "O3", "remark": "breather moved"}, rows: "select count(*)::int as n from stock_movement where kind = 'prepare'", more: 1, to: "/units/" + s.spare.ID.String(), bads: []badEntry{
			{map[string]string{"gearmotor_orientation": ""}, "gearmotor_orientation", "says what was done", 422},
		}},
		{name: "hand over", path: "/locations/" + s.other.ID.String() + "/hand", v: s.asManager, good: map[string]string{"person_id": s.technician.String()}, rows: "select count(*)::int as n from location_holder", more: 1, bads: []badEntry{
			{map[string]string{"from": "2031-01-01T00:00"}, "from", "must not lie ahead", 422},
		}},
		{name: "write off", path: "/locations/" + van + "/write-off", v: s.asClerk, good: map[string]string{"scrap": s.scrap.ID.String(), "reason": "stolen on the road", "sure": "yes"}, rows: "select case when exists (select from stock_movement where kind = 'write_off') then 1 else 0 end as n", more: 1, bads: []badEntry{
			{map[string]string{"sure": ""}, "sure", "mean all of it", 422},
		}},
	} {
		s.now = s.now.Add(time.Minute)
		t.Run(c.name, func(t *testing.T) { s.try(t, c) })
	}
	if found, err := stock.Verify(ctx, s.db, access.System); err != nil || len(found) > 0 {
		t.Errorf("the ledger: %v %v", found, err)
	}
}

// What opens is how full, opened by its own page, and what it is opened for ends it.
func TestAnOpenContainerTellsHowFullItIs(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	at := at2(s.warehouse, s.oil)
	if got := s.asTech.fill(at+"/open", map[string]string{"lot": "OIL-7"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	body := s.asTech.get(at)
	i := strings.Index(body.body, at+"/open/")
	if i < 0 || !strings.Contains(bare(body.body), "25 Nov 2026") {
		t.Fatalf("no open container: %s", bare(body.body))
	}
	path := body.body[i : i+len(at+"/open/")+36]
	if got := s.asTech.fill(path, map[string]string{"level": "quarter"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if said := bare(s.asTech.get(at).body); !strings.Contains(said, "quarter") {
		t.Error(said)
	}
	s.try(t, formCase{path: path, v: s.asTech, good: map[string]string{"level": "empty"}, rows: "select count(*)::int as n from open_container where emptied_at is not null", more: 1, to: at})
	if got := s.asTech.get(path); got.status != http.StatusConflict {
		t.Errorf("how full is one that is empty: %d", got.status)
	}
	if got := s.asTech.get(at2(s.van, s.oil) + "/open/" + path[len(at+"/open/"):]); got.status != http.StatusNotFound {
		t.Errorf("at another place: %d", got.status)
	}
}

// Whoever says whose pile was used means that one, however many lie there when the form is
// sent again.
func TestUsingOneOfTwoPiles(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	theirs := "customer " + s.ours.ID.String()
	one := "select count(*)::int as n from stock_movement where kind = 'issue' and owner = 'distributor'"
	s.try(t, formCase{path: at2(s.shelf, s.nut) + "/use", v: s.asTech, good: map[string]string{"what": "distributor " + uuid.Nil.String(), "amount": "4"}, rows: one, more: 1})
	if got := s.free(t, s.shelf, s.nut); got != "10" {
		t.Errorf("%s are left of the customer's ten", got)
	}
	if got := s.asTech.form(at2(s.shelf, s.nut) + "/use"); got.Has("what") {
		t.Error("one pile is asked for")
	}
	if got := s.asClerk.fill("/stock/receive?part="+s.nut.ID.String(), map[string]string{"amount": "50", "to_id": s.shelf.ID.String()}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	s.try(t, formCase{path: at2(s.shelf, s.nut) + "/use", v: s.asTech, good: map[string]string{"what": theirs, "amount": "10"}, rows: "select count(*)::int as n from stock_movement where kind = 'issue' and owner = 'customer'", more: 1, bads: []badEntry{
		{map[string]string{"site_id": ""}, "site_id", "is no site of the customer", 422}}})
}

// A recipe that is opened and kept as it is stays what it was, notes and conditions with it.
func TestARecipeKeptAsItIsStaysTheSame(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	at := "/parts/" + s.box.ID.String() + "/recipe"
	want := []parts.NewRecipeLine{{PartID: s.nut.ID, Amount: amount.Of(4), Note: "new each time; never the old ones"}, {PartID: s.gasket.ID, Amount: amount.One, Condition: "bore = 1.375 in", Note: "dry"}}
	write(t, s.db, func(tx *gorm.DB) (parts.Recipe, error) {
		return parts.SetRecipe(tx, access.System, now, s.box.ID, parts.NewRecipe{Lines: want})
	})
	if got := s.asManager.fill(at, nil); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	all, err := parts.RecipesOf(ctx, s.db, access.System, s.box.ID)
	if err != nil || len(all) < 3 {
		t.Fatalf("%d recipes: %v", len(all), err)
	}
	for i, l := range all[0].Lines {
		if was := all[1].Lines[i]; l != was || l.Note != want[i].Note {
			t.Errorf("%+v became %+v", was, l)
		}
	}
}

// The form for a supplier of a part begins with what is known of the one it is opened for.
func TestTheFormForASourceKnowsIt(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	at := "/parts/" + s.nut.ID.String() + "/source"
	if got := s.asManager.form(at + "?supplier=" + s.supplier.ID.String()); got.Get("number") != "Q-5811-N" || got.Get("lead_50") != "4" || got.Get("preferred") != "yes" || got.Get("supplier_id") != s.supplier.ID.String() {
		t.Errorf("%v", got)
	}
	if got := s.asManager.form(at + "?supplier=nobody"); got.Get("number") != "" {
		t.Errorf("%v", got)
	}
}

// An order from its draft to the last piece, by page: lots, serials, what is damaged, what is
// late, and what the supplier gets.
func TestAnOrderFromDraftToTheLastPiece(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	one := func(table string) string { return "select count(*)::int as n from " + table }
	order := "/orders/" + s.draft.ID.String()
	line := func(i int) string { return "_" + s.draft.Lines[i].ID.String() }
	for _, c := range []formCase{
		{name: "draft", path: "/orders/new", v: s.asClerk, good: map[string]string{"supplier_id": s.supplier.ID.String(), "location_id": s.warehouse.ID.String(), "part_id_0": "MW-22004", "amount_0": "50", "price_minor_0": "0.42", "part_id_2": "MW-13001", "amount_2": "3", "needed_on_2": "2026-12-24"},
			rows: one("supplier_order_line"), more: 2, bads: []badEntry{
				{map[string]string{"amount_0": "7"}, "amount_0", "no whole number of packs", 422},
				{map[string]string{"part_id_2": "MW-99999"}, "part_id_2", "names no part", 422},
				{map[string]string{"part_id_2": "", "needed_on_2": ""}, "part_id_2", "is needed", 422},
				{map[string]string{"part_id_2": "", "amount_2": ""}, "part_id_2", "is needed", 422},
				{map[string]string{"price_minor_3": "2"}, "part_id_3", "is needed", 422},
				{map[string]string{"price_minor_0": "0.425"}, "price_minor_0", "decimals", 422},
				{map[string]string{"currency": ""}, "currency", "is needed beside a price", 422},
				{map[string]string{"amount_2": "0.5"}, "amount_2", "whole number", 422},
			}},
		{name: "send", path: order + "/send", v: s.asClerk, good: map[string]string{"promised_on": "2026-12-04"}, rows: one("supplier_order where state = 'sent'"), more: 1, to: order, bads: []badEntry{
			{map[string]string{"promised_on": "soon"}, "promised_on", "is a date", 422},
		}},
		{name: "promise", path: order + "/promise", v: s.asClerk, good: map[string]string{"on" + line(0): "2026-12-18"}, rows: one("supplier_order_promise"), more: 1, to: order, bads: []badEntry{
			{map[string]string{"on" + line(0): "later"}, "on" + line(0), "is a date", 422},
			{map[string]string{"on" + line(1): ""}, "on" + line(1), "must not be blank", 422},
		}},
		{name: "in part", path: order + "/receive", v: s.asClerk, good: map[string]string{"document": "DN 9", "amount" + line(0): "50", "serials" + line(2): "Q-77"}, rows: one("stock_movement"), more: 2, to: order, bads: []badEntry{
			{map[string]string{"amount" + line(0): "2"}, "amount" + line(0), "is it 2 ea, or 2 packs", 422},
			{map[string]string{"amount" + line(0): "150"}, "amount" + line(0), "more than is still to come", 409},
			{map[string]string{"amount" + line(1): "1"}, "lot" + line(1), "is needed", 422},
			{map[string]string{"serials" + line(2): "4471"}, "serials" + line(2), "is on record", 409},
			{map[string]string{"amount" + line(0): "", "serials" + line(2): ""}, "", "Nothing has come", 422},
		}},
		{name: "damaged", path: order + "/receive", v: s.asClerk, good: map[string]string{"amount" + line(1): "2", "lot" + line(1): "L8", "to" + line(1): s.bad.ID.String(), "reason" + line(1): "crushed"}, rows: one("stock_discrepancy where kind = 'received_damaged'"), more: 1, bads: []badEntry{
			{map[string]string{"reason" + line(1): ""}, "reason" + line(1), "is needed", 422},
		}},
		{name: "end", path: order + "/end", v: s.asClerk, good: map[string]string{"why": "the rest is not made any more"}, rows: one("supplier_order where state = 'closed'"), more: 1, to: order, bads: []badEntry{
			{map[string]string{"why": ""}, "why", "must not be blank", 422},
		}},
	} {
		t.Run(c.name, func(t *testing.T) { s.try(t, c) })
	}
	body := bare(s.asClerk.get(order).body)
	for _, says := range []string{"closed", "50 came", "50 will not come", "Put off once", "2 × box of 50", "the rest is not made any more"} {
		if !strings.Contains(body, says) {
			t.Errorf("the order lacks %q: %s", says, body)
		}
	}
	sheet := s.asTech.get(order + "/order.csv")
	if sheet.status != 200 || !strings.Contains(sheet.body, "Q-5811-N,MW-22004") || strings.Contains(sheet.body, "0.42") || !strings.HasPrefix(sheet.head.Get("Content-Type"), "text/csv") {
		t.Errorf("the CSV: %d %s", sheet.status, sheet.body)
	}
	if late := bare(s.asTech.get("/orders").body); !strings.Contains(late, "3 lines late") {
		t.Errorf("nobody is told what is late: %s", late)
	}
	// prices are for who sees cost
	var priced string
	for _, o := range []string{"manager", "tech"} {
		v := map[string]*visitor{"manager": s.asManager, "tech": s.asTech}[o]
		list := v.get("/orders").body
		at := strings.Index(list, `href="/orders/0`)
		priced = v.get(list[at+6 : at+6+len("/orders/")+36]).body
		if strings.Contains(priced, "USD 0.42") != (o == "manager") {
			t.Errorf("%s and the price: %s", o, bare(priced))
		}
	}
}

// A blind count tells nobody what is expected; what differs is counted by a second person,
// posted, and settled.
func TestACountFromTheSheetToTheDifference(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	one := func(table string) string { return "select count(*)::int as n from " + table }
	s.try(t, formCase{path: "/counts/new", v: s.asClerk, good: map[string]string{"location_id": s.van.ID.String(), "blind": "yes"}, rows: one("stock_count"), more: 1, bads: []badEntry{
		{map[string]string{"location_id": ""}, "location_id", "must not be blank", 422}, {map[string]string{"part": "MW-77"}, "part", "names no part", 422}}})
	list := s.asClerk.get("/counts").body
	i := strings.Index(list, `href="/counts/0`)
	count := list[i+6 : i+6+len("/counts/")+36]
	if body := bare(s.asTech.get(count).body); !strings.Contains(body, "not told") || strings.Contains(body, " 6 ") {
		t.Errorf("a blind count tells: %s", body)
	}
	form := s.asTech.form(count + "/enter")
	fill := map[string]string{}
	var nut string
	c := func() stock.Count {
		all, err := stock.Counts(ctx, s.db, access.System, true, stock.Page{Limit: 1})
		if err != nil {
			t.Fatal(err)
		}
		one, err := stock.OneCount(ctx, s.db, access.System, now, all[0].ID)
		if err != nil {
			t.Fatal(err)
		}
		return one
	}()
	for _, l := range c.Lines {
		if l.PartID == s.nut.ID {
			nut = "n_" + l.ID.String()
			fill[nut] = "4" // two are missing
		}
		if l.PartID == s.gasket.ID {
			fill["n_"+l.ID.String()] = "2"
		}
	}
	if !form.Has(nut) {
		t.Fatalf("the form lacks %s: %v", nut, form)
	}
	s.try(t, formCase{path: count + "/enter", v: s.asTech, good: fill, rows: one("stock_count_line where first is not null"), more: 2, to: count, bads: []badEntry{
		{map[string]string{nut: "many"}, nut, "digits", 422}, {map[string]string{nut: "1.5"}, nut, "whole number", 422}, {map[string]string{"at": "2031-01-01T00:00"}, nut, "lies within", 422},
		{map[string]string{"amount": "3"}, "part", "is needed", 422}, {map[string]string{"lot": "L9"}, "part", "is needed", 422}, {map[string]string{"part": "MW-13001", "lot": "L9", "amount": "1"}, "lot", "names no lot", 422}}})
	// nobody is shown what was counted before: a figure in the form is copied, and sent again it would be of another hour
	for _, l := range c.Lines {
		if name := "n_" + l.ID.String(); s.asTech.form(count+"/enter").Get(name)+s.asClerk.form(count+"/enter").Get(name) != "" {
			t.Errorf("the form shows what was counted of %s", l.PartNumber)
		}
	}
	if got := s.asClerk.fill(count+"/post", nil); got.status != 409 || !strings.Contains(mendsOf(t, got.body), "second person") {
		t.Errorf("posted too early: %d %s", got.status, mendsOf(t, got.body))
	}
	if s.asTech.form(count + "/enter").Has(nut) {
		t.Error("whoever counted first is asked again")
	}
	if got := s.asClerk.fill(count+"/enter", map[string]string{nut: "4"}); got.status != 303 {
		t.Fatalf("the second count: %d %v %s", got.status, wrongs(t, got.body), mendsOf(t, got.body))
	}
	s.try(t, formCase{path: count + "/post", v: s.asClerk, rows: one("stock_discrepancy where kind = 'counted_short'"), more: 1, to: count})
	if body := bare(s.asTech.get(count).body); !strings.Contains(body, "2 fewer") || !strings.Contains(body, "posted") {
		t.Errorf("the count says %s", body)
	}
	list = s.asClerk.get("/differences").body
	i = strings.Index(list, `href="/differences/0`)
	if i < 0 {
		t.Fatalf("no difference is listed: %s", bare(list))
	}
	difference := list[i+6 : i+6+len("/differences/")+36]
	s.try(t, formCase{path: difference + "/settle", v: s.asClerk, good: map[string]string{"found_at": s.other.ID.String(), "how": "in the pocket of the other van"}, rows: one("stock_discrepancy where settled_at is not null"), more: 1, to: "/differences", bads: []badEntry{
		{map[string]string{"how": ""}, "how", "must not be blank", 422}}})
	if n := s.free(t, s.other, s.nut); n != "2" {
		t.Errorf("in the other van are %s", n)
	}
	if body := bare(s.asClerk.get("/differences").body); !strings.Contains(body, "Record and shelf agree") {
		t.Errorf("the list says %s", body)
	}
	// one that is cancelled leaves nothing
	if got := s.asClerk.fill("/counts/new", map[string]string{"location_id": s.van.ID.String(), "part": "MW-40001", "blind": ""}); got.status != 303 {
		t.Fatalf("%d", got.status)
	} else {
		s.try(t, formCase{path: got.head.Get("Location") + "/cancel", v: s.asClerk, rows: one("stock_count where state = 'cancelled'"), more: 1})
	}
}

// Kits are packed and opened, parts are promised, set aside, released and taken, and cores and
// warranties go their way, all by page.
func TestKitsClaimsAndReturnsByPage(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	one := func(table string) string { return "select count(*)::int as n from " + table }
	wh := s.warehouse.ID.String()
	if body := bare(s.asTech.get("/kits").body); !strings.Contains(body, "9 could be built") || !strings.Contains(body, "7 of 8 B") {
		t.Errorf("kits say %s", body)
	}
	s.try(t, formCase{path: "/kits/" + s.box.ID.String() + "/build", v: s.asClerk, good: map[string]string{"count": "1", "location_id": wh, "seal": "S-1"}, rows: one("kit_bag"), more: 1, bads: []badEntry{
		{map[string]string{"count": "12"}, "", "9 could be built, then", 409}, {map[string]string{"count": "0"}, "count", "between 1 and 100", 422}, {map[string]string{"count": "few"}, "count", "whole number", 422}}})
	list := s.asClerk.get("/kits").body
	i := strings.Index(list, `href="/bags/`)
	bag := list[i+6 : i+6+len("/bags/")+36]
	s.try(t, formCase{path: bag + "/open", v: s.asTech, good: map[string]string{"for": "J01 UMB-1/SBL-D", "used_1": "2"}, rows: one("kit_bag where state = 'opened'"), more: 1, to: bag, bads: []badEntry{
		{map[string]string{"used_1": "5"}, "used_1", "which were in the bag", 422}, {map[string]string{"for": ""}, "for", "must not be blank", 422}}})
	if n := s.free(t, s.warehouse, s.nut); n != "118" {
		t.Errorf("%s nuts are in the warehouse: two of four came back", n)
	}
	claim := func(n, purpose, grave string) map[string]string {
		return map[string]string{"part_id": "MW-13001", "amount": n, "needed_on": "2026-12-09", "purpose": purpose, "criticality": grave}
	}
	s.try(t, formCase{path: "/claims/new", v: s.asClerk, good: claim("8", "PM-018 UMB-1", "B"), rows: one("stock_claim"), more: 1, to: "/claims", bads: []badEntry{
		{map[string]string{"amount": "90"}, "amount", "more than is free", 409}, {map[string]string{"needed_on": "2020-01-01"}, "needed_on", "past", 422}, {map[string]string{"part_id": "nothing like it"}, "part_id", "names no part", 422}}})
	if got := s.asClerk.fill("/claims/new", claim("4", "J02 PEL", "C")); got.status != 409 || !strings.Contains(wrongs(t, got.body)["amount"], "PM-018 UMB-1 on 9 December 2026, by Junia Poll") {
		t.Errorf("who comes second is told %v", wrongs(t, got.body))
	}
	id := func(body, path string) string {
		i := strings.Index(body, `href="`+path+`0`)
		if i < 0 {
			t.Fatalf("no %s in %s", path, bare(body))
		}
		return body[i+6 : i+6+len(path)+36]
	}
	at := id(s.asClerk.get("/claims").body, "/claims/")
	s.try(t, formCase{path: at + "/take", v: s.asClerk, good: map[string]string{"purpose": "J01 UMB", "criticality": "A", "reason": "the line stands", "amount": "2"}, rows: one("stock_claim where state = 'taken'"), more: 1, bads: []badEntry{
		{map[string]string{"criticality": "C"}, "criticality", "not graver", 409}, {map[string]string{"reason": ""}, "reason", "must not be blank", 422}}})
	at = id(s.asClerk.get("/claims").body, "/claims/")
	what := wh + " distributor 00000000-0000-0000-0000-000000000000 L2601"
	s.try(t, formCase{path: at + "/aside", v: s.asClerk, good: map[string]string{"what": what}, rows: one("stock_claim where state = 'set_aside'"), more: 1, bads: []badEntry{
		{map[string]string{"what": "nonsense"}, "what", "not among the choices", 422},
		{map[string]string{"what": s.van.ID.String() + " distributor 00000000-0000-0000-0000-000000000000 L2511"}, "what", "more than there is", 409}}})
	if got := s.asClerk.fill(at+"/aside", map[string]string{"what": wh + " distributor what L2601"}); got.status != 422 || !strings.Contains(wrongs(t, got.body)["what"], "not among the choices") {
		t.Errorf("a pile that is none: %d %v", got.status, wrongs(t, got.body))
	}
	s.try(t, formCase{path: at + "/release", v: s.asClerk, good: map[string]string{"why": "put off"}, rows: one("stock_claim where state = 'released'"), more: 1})

	s.try(t, formCase{path: "/cores/new", v: s.asClerk, good: map[string]string{"part_id": "MW-10110", "supplier_id": s.supplier.ID.String(), "bought": s.spare.Tag, "counted_from": "purchase", "paid_on": "2026-11-01", "deadline_on": "2026-12-01", "deposit_minor": "250", "currency": "USD"},
		rows: one("core"), more: 1, to: "/returns", bads: []badEntry{{map[string]string{"bought": "SB0"}, "bought", "names no unit", 422}, {map[string]string{"currency": ""}, "currency", "is needed beside a price", 422}}})
	if body := bare(s.asClerk.get("/returns").body); !strings.Contains(body, "USD 250.00") || !strings.Contains(body, "6 days left") {
		t.Errorf("returns say %s", body)
	}
	if body := bare(s.asTech.get("/returns").body); strings.Contains(body, "USD") {
		t.Errorf("a technician is told the deposit: %s", body)
	}
	core := id(s.asClerk.get("/returns").body, "/cores/")
	s.try(t, formCase{path: core + "/step", v: s.asTech, good: map[string]string{"state": "removed", "tag": s.motor.Tag}, rows: one("core where state = 'removed'"), more: 1, bads: []badEntry{
		{map[string]string{"tag": ""}, "tag", "is needed", 422}, {map[string]string{"tag": "SB9999999"}, "tag", "names no unit", 422}}})
	if got := s.asTech.fill(core+"/step", map[string]string{"state": "in_returns"}); got.status != 303 {
		t.Fatalf("%d", got.status)
	}
	s.try(t, formCase{path: core + "/step", v: s.asTech, good: map[string]string{"state": "boxed", "drained": "yes"}, rows: one("core where state = 'boxed' and drained"), more: 1, bads: []badEntry{
		{map[string]string{"drained": ""}, "drained", "not drained is refused", 409}, {map[string]string{"state": "lost"}, "note", "is needed", 422}}})

	s.try(t, formCase{path: "/warranties/new", v: s.asClerk, good: map[string]string{"tag": s.motor.Tag, "giver": "supplier", "supplier_id": s.supplier.ID.String(), "covers": "winding", "starts_on": "2026-02-01", "ends_on": "2027-02-01"}, rows: one("warranty"), more: 1, bads: []badEntry{
		{map[string]string{"tag": "SB9999999"}, "tag", "names no unit", 422}, {map[string]string{"supplier_id": ""}, "supplier_id", "where a supplier stands", 422}}})
	w := id(s.asClerk.get("/returns").body, "/warranties/")
	s.try(t, formCase{path: w + "/step", v: s.asClerk, good: map[string]string{"state": "claimed", "authority": "RA-5"}, rows: one("warranty where state = 'claimed'"), more: 1, bads: []badEntry{
		{map[string]string{"authority": ""}, "authority", "comes first", 422}}})
	if got := s.asTech.fill(core+"/step", map[string]string{"state": "shipped"}); got.status != 409 || !strings.Contains(mendsOf(t, got.body), "claimed under warranty") {
		t.Errorf("a core under warranty is shipped: %d %s", got.status, mendsOf(t, got.body))
	}
}

// A technician sees the own van first, also when the vans change hands; an owner sees the own
// shelf, and nothing of what is ours.
func TestWhoSeesWhatLiesWhere(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	tech := bare(s.asTech.get("/stock").body)
	for _, says := range []string{"What lies in your van", "V1", "Short: should hold 10", "First expires 7 Dec 2026"} {
		if !strings.Contains(tech, says) {
			t.Errorf("the van lacks %q: %s", says, tech)
		}
	}
	if strings.Contains(tech, "OIL-7") || strings.Contains(tech, "37.8 L free") {
		t.Errorf("the van shows the warehouse: %s", tech)
	}
	owner := s.asOwner.get("/stock")
	if body := bare(owner.body); !strings.Contains(body, "14 ea free") || strings.Contains(body, "elsewhere") || strings.Contains(body, "on order") || strings.Contains(owner.body, s.van.ID.String()) {
		t.Errorf("the owner sees %s", body)
	}
	if body := bare(s.asOwner.get(at2(s.shelf, s.nut)).body); !strings.Contains(body, "of HAD") || strings.Contains(body, "Promised from here") || strings.Contains(body, "Junia") {
		t.Errorf("the owner's shelf says %s", body)
	}
	for _, path := range []string{at2(s.van, s.nut), at2(s.warehouse, s.nut)} {
		if got := s.asOwner.get(path); got.status != http.StatusNotFound {
			t.Errorf("the owner at %s: %d", path, got.status)
		}
	}
	for _, path := range []string{"/orders", "/orders/" + s.sent.ID.String(), "/counts", "/differences", "/kits", "/claims", "/returns", "/stock/ledger", "/stock/wanted", "/stock/receive", "/orders/new", "/counts/new", "/claims/new", "/cores/new",
		"/warranties/new", at2(s.shelf, s.nut) + "/move", at2(s.shelf, s.nut) + "/use", "/locations/" + s.shelf.ID.String() + "/fill", "/locations/" + s.shelf.ID.String() + "/write-off", "/locations/" + s.van.ID.String() + "/hand"} {
		for name, v := range map[string]*visitor{"owner": s.asOwner, "staff": s.asStaff} {
			if got := v.get(path); got.status != http.StatusForbidden && got.status != http.StatusNotFound {
				t.Errorf("%s at %s: %d", name, path, got.status)
			}
		}
	}
	for show, says := range map[string]string{"short": "Gear oil", "expires": "Gasket", "withdrawn": "Nothing that is withdrawn"} {
		if body := bare(s.asClerk.get("/stock?location=&show=" + show).body); !strings.Contains(body, says) {
			t.Errorf("%s shows %s", show, body)
		}
	}
	for _, path := range []string{"/stock?location=rubbish", "/stock/ledger?part=rubbish", "/stock/ledger?after=rubbish", "/counts?after=rubbish", "/differences?after=rubbish", "/kits?location=rubbish", "/orders/rubbish", "/locations/rubbish/parts/rubbish"} {
		if got := s.asClerk.get(path); got.status != http.StatusNotFound {
			t.Errorf("%s: %d", path, got.status)
		}
	}
	// the week in the other van
	if got := s.asManager.fill("/locations/"+s.other.ID.String()+"/hand", map[string]string{"person_id": s.technician.String()}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if body := bare(s.asTech.get("/stock").body); !strings.Contains(body, "Who drives it") || !strings.Contains(body, "Imre Vasko since") {
		t.Errorf("nobody is told who drives the van: %s", body)
	}
	if body := s.asTech.get("/stock").body; !strings.Contains(body, `<option value="`+s.other.ID.String()+`" selected`) {
		t.Errorf("the van does not follow its driver: %s", bare(body))
	}
}

// What a page asks of the database does not grow with what it shows.
func TestStatementsOfPagesAboutStockStayTheSame(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	pages := []string{"/stock", "/stock?location=", "/stock?show=short", at2(s.warehouse, s.gasket), "/stock/ledger", "/stock/wanted", "/orders", "/orders/" + s.sent.ID.String(), "/orders/" + s.sent.ID.String() + "/receive", "/counts", "/differences", "/kits", "/claims", "/returns",
		"/locations/" + s.van.ID.String() + "/fill"}
	count := func() map[string]int64 {
		n := map[string]int64{}
		for _, path := range pages {
			n[path] = s.statements(t, s.technician, path)
		}
		return n
	}
	before := count()
	for range 4 {
		for path, fill := range map[string]map[string]string{
			"/kits/" + s.box.ID.String() + "/build":       {"count": "1", "location_id": s.warehouse.ID.String()},
			"/claims/new":                                 {"part_id": "MW-22004", "amount": "1", "needed_on": "2026-12-09", "purpose": "PM-018", "criticality": "B"},
			"/stock/receive?part=" + s.gasket.ID.String(): {"amount": "1", "lot": url.QueryEscape(path4()), "to_id": s.warehouse.ID.String()},
			at2(s.van, s.nut) + "/use":                    {"amount": "9"},
			"/counts/new":                                 {"location_id": s.other.ID.String()},
		} {
			if got := s.asClerk.fill(path, fill); got.status != 303 {
				t.Fatalf("%s: %d %v", path, got.status, wrongs(t, got.body))
			}
		}
	}
	after := count()
	for _, path := range pages {
		if before[path] != after[path] {
			t.Errorf("%s: %d statements, then %d", path, before[path], after[path])
		}
		t.Logf("%-80s %d statements", path, after[path])
	}
}

// More than a page holds is never cut off in silence: it says so, and the next page has the rest.
func TestNoListAboutStockIsCutInSilence(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	write(t, s.db, func(tx *gorm.DB) (bool, error) {
		claims := make([]stock.Claiming, 60)
		for i := range claims {
			claims[i] = stock.Claiming{PartID: s.nut.ID, Amount: amount.One, NeededOn: "2026-12-09", Purpose: fmt.Sprint("J01 brush ", i), Criticality: "B", LocationID: &s.warehouse.ID}
			if i < 6 { // earlier, of another place: these come first in the list of the part
				claims[i].NeededOn, claims[i].LocationID = "2026-12-01", &s.van.ID
			}
		}
		if _, err := stock.Promise(tx, access.System, now, claims); err != nil {
			return false, err
		}
		for _, q := range []string{
			`insert into core (id, part_id, supplier_id, state, counted_from, paid_on, deadline_on) select gen_random_uuid(), @part, @supplier, 'deposit_paid', 'purchase', '2026-11-01', date '2026-12-01' + n from generate_series(1, 55) as n`,
			`insert into core_deposit (core_id, deposit_minor, currency) select id, 1000, 'USD' from core where part_id = @part`,
			`insert into part (id, number, description, class, created_at, tracking) select gen_random_uuid(), 'MW-97' || lpad(n::text, 3, '0'), 'Kit ' || n, 'kit', @now, 'kit' from generate_series(1, 55) as n`,
			`insert into kit_recipe (id, kit_id, number, made_at, made_by) select gen_random_uuid(), id, 1, @now, @who from part where number like 'MW-97%'`,
			`insert into kit_line (recipe_id, ordinal, part_id, amount) select r.id, 1, @nut, 1 from kit_recipe as r join part as p on p.id = r.kit_id where p.number like 'MW-97%'`,
		} {
			if err := tx.Exec(q, map[string]any{"part": s.motorPart.ID, "supplier": s.supplier.ID, "nut": s.nut.ID, "now": now, "who": access.System.ID}).Error; err != nil {
				return false, err
			}
		}
		return true, nil
	})
	if got := s.asClerk.fill("/kits/"+s.box.ID.String()+"/build", map[string]string{"count": "1", "location_id": s.warehouse.ID.String()}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	all := func(path, next string) (says string) {
		for range 9 {
			body := s.asManager.get(path).body
			says += bare(body)
			found := false
			walk(parse(t, body), func(n *html.Node) {
				if n.Data == "a" && n.FirstChild != nil && n.FirstChild.Data == next {
					path, found = attr(n, "href"), true
				}
			})
			if !found {
				return says
			}
		}
		t.Errorf("%s has no end", path)
		return says
	}
	if says := all("/returns", "More cores"); strings.Count(says, "Deposit USD 10.00") != 55 || strings.Count(says, "USD 550.00 of deposits") != 2 {
		t.Errorf("%d of 55 cores: %s", strings.Count(says, "Deposit USD 10.00"), says)
	}
	if says := all("/kits", "More kits"); strings.Count(says, "MW-97") != 2*55 { // in its name and in what leads to packing it
		t.Errorf("%d of twice 55 kits", strings.Count(says, "MW-97"))
	}
	here := bare(s.asClerk.get(at2(s.warehouse, s.nut)).body)
	if strings.Count(here, "J01 brush") != 50 || !strings.Contains(here, "These are the first 50") {
		t.Errorf("%d claims: %s", strings.Count(here, "J01 brush"), here)
	}
	if there := bare(s.asClerk.get(at2(s.van, s.nut)).body); strings.Count(there, "J01 brush") != 6 || strings.Contains(there, "the first") {
		t.Errorf("claims of the van: %s", there)
	}
	if of := bare(s.asClerk.get("/parts/" + s.nut.ID.String()).body); !strings.Contains(of, "These are the first 50") {
		t.Error("the part does not say that more is promised")
	}
}

var lots4 = 0

// path4 names another lot each time.
func path4() string { lots4++; return "LOT-" + strings.Repeat("I", lots4) }

// What is known of a part beyond its facts is kept by page: how it is counted and kept, what
// follows it and goes for it, what it is made of, from whom it comes, and what must agree
// where it goes.
func TestKeepingTheCatalogueByPage(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	one := func(table string) string { return "select count(*)::int as n from " + table }
	of := func(p assets.Part) string { return "/parts/" + p.ID.String() }
	for _, c := range []formCase{
		{name: "stocking", path: of(s.hubPart) + "/stocking", v: s.asManager, good: map[string]string{"measured_in": "L", "tracking": "lot_expiry", "bought_in": "pail", "pack": "18.9", "container": "18.9", "shelf_months": "60", "open_months": "24", "weight": "41", "weight_unit": "lb", "abc": "B", "aliases": "HB 77/A maker\n \nOLD-1 old"},
			rows: one("part_alias where number in ('HB 77/A', 'OLD-1')"), more: 2, to: of(s.hubPart), bads: []badEntry{
				{map[string]string{"pack": "0"}, "pack", "", 422},
				{map[string]string{"container": "some"}, "container", "digits", 422},
				{map[string]string{"shelf_months": "long"}, "shelf_months", "whole number", 422},
				{map[string]string{"aliases": "X-1 friend"}, "aliases", "", 422},
				{map[string]string{"aliases": "X-1 old\nX-2 old box"}, "aliases", "line 2", 422},
			}},
		{name: "follows", path: of(s.old) + "/successions/new", v: s.asManager, good: map[string]string{"kind": "withdrawn", "to_0": "MW-22004", "note": "works loose"}, rows: one("part_succession"), more: 1, to: of(s.old), bads: []badEntry{
			{map[string]string{"to_0": "MW-22009"}, "to_0", "is the part itself", 422},
			{map[string]string{"kind": "replaced", "to_0": "", "n_0": ""}, "to_0", "at least one part", 422},
			{map[string]string{"n_1": "2"}, "to_1", "is needed", 422},
			{map[string]string{"to_2": "MW-22009"}, "to_2", "is the part itself", 422},
			{map[string]string{"only_where": "colour of mood = blue"}, "only_where", "", 422},
		}},
		{name: "a ring", path: of(s.nut) + "/interchanges/new", v: s.asManager, good: map[string]string{"other_id": "MW-13001", "kind": "lookalike"}, rows: one("part_interchange"), more: 1, to: of(s.nut), bads: []badEntry{
			{map[string]string{"other_id": "nothing like it"}, "other_id", "names no part", 422},
			{map[string]string{"only_where": "supply_volts = 460"}, "only_where", "only there", 422},
		}},
		{name: "recipe", path: of(s.box) + "/recipe", v: s.asManager, good: map[string]string{"lines": "6 MW-22004;new each time\n1 MW-13001\n1 MW-40001 optional"}, rows: one("kit_recipe"), more: 1, to: of(s.box), bads: []badEntry{
			{map[string]string{"lines": "few MW-22004"}, "lines", "line 1", 422},
			{map[string]string{"lines": "1 MW-13001\n2 MW-NO"}, "lines", "line 2", 422},
			{map[string]string{"lines": "1 MW-95501"}, "lines", "the kit itself", 422},
			{map[string]string{"lines": "1 MW-13001 perhaps"}, "lines", "perhaps", 422},
		}},
		{name: "source", path: of(s.gasket) + "/source", v: s.asManager, good: map[string]string{"supplier_id": s.supplier.ID.String(), "number": "Q-G", "lead_10": "3", "lead_50": "5", "lead_90": "9", "preferred": "yes", "price": "4.20", "core": "0", "currency": "usd"}, rows: one("part_cost"), more: 1, bads: []badEntry{
			{map[string]string{"lead_10": "9", "lead_50": "5"}, "lead_50", "", 422},
			{map[string]string{"lead_90": "soon"}, "lead_90", "whole number", 422},
			{map[string]string{"core": "much"}, "core", "is a number", 422},
			{map[string]string{"price": "", "core": "20"}, "price", "is needed", 422},
			{map[string]string{"price": "4.205"}, "price", "decimals", 422},
			{map[string]string{"currency": ""}, "currency", "is needed beside a price", 422},
		}},
		{name: "rules", path: "/fit-rules/hub/edit", v: s.asManager, good: map[string]string{"rules": "same | bore | bore | | | | | the shaft has one size"}, rows: one("fit_rule where class = 'hub' and why = 'the shaft has one size'"), more: 1, to: "/fit-rules", bads: []badEntry{
			{map[string]string{"rules": "same | bore"}, "rules", "2 columns and not 8", 422},
			{map[string]string{"rules": "same | mood | bore | | | | | x"}, "rules", "names no kind of fact", 422},
			{map[string]string{"rules": "same | bore | bore | | turn it | ten | J09 | x"}, "rules", "whole number", 422},
		}},
	} {
		s.now = s.now.Add(time.Minute)
		t.Run(c.name, func(t *testing.T) { s.try(t, c) })
	}
	if got := s.asManager.fill(of(s.nut)+"/successions/new", map[string]string{"kind": "replaced", "to_0": "MW-22009"}); got.status != 409 || !strings.Contains(wrongs(t, got.body)["to_0"], "leads back to the part") {
		t.Errorf("a ring: %d %v", got.status, wrongs(t, got.body))
	}
	body := s.asManager.get(of(s.old)).body
	if said := bare(body); !strings.Contains(said, "Withdrawn: do not issue") || !strings.Contains(said, "works loose") {
		t.Errorf("the old nut says %s", said)
	}
	if said := bare(s.asTech.get("/stock?location=&show=withdrawn").body); !strings.Contains(said, "MW-22009") {
		t.Errorf("where it still lies: %s", said)
	}
	i := strings.Index(body, of(s.old)+"/end/successions/")
	if i < 0 {
		t.Fatal("nothing ends it")
	}
	end := body[i : i+len(of(s.old)+"/end/successions/")+36]
	s.now = s.now.Add(time.Minute)
	s.try(t, formCase{path: end, v: s.asManager, rows: one("part_succession where not upper_inf(during)"), more: 1, to: of(s.old)})
	if said := bare(s.asTech.get("/fit-rules").body); !strings.Contains(said, "the shaft has one size") {
		t.Errorf("the rules say %s", said)
	}
	for _, path := range []string{"/stocking", "/successions/new", "/interchanges/new", "/recipe", "/source"} {
		for _, v := range []*visitor{s.asTech, s.asOwner} {
			if got := v.get(of(s.nut) + path); got.status != http.StatusForbidden && got.status != http.StatusNotFound {
				t.Errorf("%s: %d", path, got.status)
			}
		}
	}
}

func workbookOf(t *testing.T, book *excelize.File) string {
	t.Helper()
	b, err := book.WriteToBuffer()
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// What was counted, what is to be ordered and how parts are kept come in as lists, row by row
// or not at all, and what goes out comes in again without a change.
func TestListsAboutStockInAndOut(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	try := func(v *visitor, kind, list string) answer {
		values := v.form("/stock/lists")
		values.Set("kind", kind)
		return v.send("/stock/lists", values, "file", []byte(list))
	}
	accept := func(v *visitor, body string) answer {
		values := url.Values{}
		walk(parse(t, body), func(n *html.Node) {
			if n.Data == "form" && attr(n, "action") == "/stock/lists/accept" {
				walk(n, func(f *html.Node) {
					if f.Data == "input" {
						values.Set(attr(f, "name"), attr(f, "value"))
					}
				})
			}
		})
		return v.post("/stock/lists/accept", values)
	}
	moved := "select count(*)::int as n from stock_movement"
	before := s.count(t, moved)
	bad := try(s.asClerk, "stock", "location,part,lot,amount,last day\nWH,MW-22004,,half,\nNOWHERE,MW-22004,,1,\nWH,MW-13001,L2601,1.5,\nWH,MW-10110,,1,\nWH,MW-30112,F9,2,2029-13-45\nWH,MW-22004,,7,\n")
	for _, says := range []string{"row 2, amount", "names no location on record", "is kept by unit", "stands in row 2 too", "5 cells need mending"} {
		if !strings.Contains(bare(bad.body), says) {
			t.Errorf("the page lacks %q: %s", says, bare(bad.body))
		}
	}
	if bad.status != 422 || s.count(t, moved) != before {
		t.Errorf("%d", bad.status)
	}
	// two rows are new, one is as it was, one differs within what may differ for nobody: it waits for a second person
	good := "Location;Part number;Batch;Counted;Expires\nWH;MW-30112;F9;6;30.06.2029\nV2;MW-22004;;12;\nWH;MW-22004;;120;\nV1;MW-22004;;5;\n"
	dry := try(s.asClerk, "stock", good)
	if said := bare(dry.body); !strings.Contains(said, "A count of V1 would stay open") || strings.Contains(said, "Count 1") {
		t.Errorf("what is only looked at names a count: %s", said)
	}
	if dry.status != 200 || !strings.Contains(bare(dry.body), "Write 3 rows") || s.count(t, moved) != before {
		t.Fatalf("%d %s", dry.status, bare(dry.body))
	}
	done := accept(s.asClerk, dry.body)
	if done.status != 200 || !strings.Contains(bare(done.body), "stays open: 1 of its lines") || s.free(t, s.other, s.nut) != "12" || s.free(t, s.van, s.nut) != "6" {
		t.Errorf("%d %s; %s in V2, %s in V1", done.status, bare(done.body), s.free(t, s.other, s.nut), s.free(t, s.van, s.nut))
	}
	// the same list again waits for the same count, and opens none beside it
	counts := "select count(*)::int as n from stock_count"
	one := s.count(t, counts)
	if again := try(s.asClerk, "stock", good); again.status != 200 || !strings.Contains(bare(again.body), "is open and has one of these rows already") || !strings.Contains(bare(again.body), "Everything in it is on record already") || s.count(t, counts) != one {
		t.Errorf("the same list again: %d %s", again.status, bare(again.body))
	}
	for row, says := range map[string]string{"WH;MW-30112;F9;6;2030-01-31": "differs from the last day of lot F9 on record, 2029-06-30", "WH;MW-22004;;120;2030-01-31": "for parts that are kept by lot", "WH;MW-30112;F9;7;2030-01-31": "differs from the last day"} {
		if got := try(s.asClerk, "stock", "Location;Part;Lot;Amount;Last day\n"+row+"\n"); got.status != 422 || !strings.Contains(bare(got.body), says) || !strings.Contains(bare(got.body), "row 2, last day") {
			t.Errorf("%s: %d %s", row, got.status, bare(got.body))
		}
	}
	const january = "Jan-1,QDW,WH,MW-22004,50,2027-01-15,0.42,USD,for January\nJan-1,qdw,wh,MW-13001,3,,,,\n"
	if bad := try(s.asManager, "orders", "order,supplier,location,part,amount,price,currency\nJ,QDW,WH,MW-22004,50,0.425,USD\nJ,QDW,WH,MW-13001,5,7,\n"); bad.status != 422 || !strings.Contains(bare(bad.body), "more than the 2 decimals of USD") || !strings.Contains(bare(bad.body), "row 3, currency") {
		t.Errorf("prices: %d %s", bad.status, bare(bad.body))
	}
	if again := try(s.asClerk, "orders", "order,supplier,location,part,amount,needed on,price,currency,note\nJan-1,QDW,WH,MW-22004,50,2027-01-15,0.42,USD,for January\nJan-1,qdw,wh,MW-13001,3,,,,\n"); again.status != 200 {
		t.Fatalf("%d %s", again.status, bare(again.body))
	} else if got := accept(s.asClerk, again.body); got.status != 200 || s.count(t, "select count(*)::int as n from supplier_order where note = 'Jan-1: for January' and state = 'draft'") != 1 {
		t.Errorf("%d %s", got.status, bare(got.body))
	}
	heads := "order,supplier,location,part,amount,needed on,price,currency,note\n"
	if got := try(s.asManager, "orders", heads+january); got.status != 200 || !strings.Contains(bare(got.body), "Everything in it is on record already") {
		t.Errorf("the same order again: %d %s", got.status, bare(got.body))
	}
	for row, says := range map[string]string{"Jan-1,QDW,WH,MW-22004,100,,,,": "row 2, amount", "Jan-1,QDW,WH,MW-22009,1,,,,": "row 2, part", "Jan-1,QDW,WH,MW-22004,50,2027-02-15,,,": "row 2, needed on", "Jan-1,QDW,WH,MW-22004,50,,0.43,USD,": "row 2, price",
		"Jan-1,QDW,V1,MW-22004,50,,,,": "row 2, location", "Jan-1,QDW,WH,MW-22004,50,,,,\nJan-1,QDW,WH,MW-22004,50,,,,": "row 3, part"} {
		if got := try(s.asManager, "orders", heads+row+"\n"); got.status != 422 || !strings.Contains(bare(got.body), says) || !strings.Contains(bare(got.body), "differs from order PO-") {
			t.Errorf("another order under the same label, %s: %d %s", row, got.status, bare(got.body))
		}
	}
	if got := try(s.asClerk, "orders", "order,supplier,location,part,amount\nX,QDW,WH,MW-22004,7\n"); got.status != 422 || !strings.Contains(bare(got.body), "no whole number of packs") {
		t.Errorf("%d %s", got.status, bare(got.body))
	}
	if got := try(s.asManager, "catalogue", "part,pack,bought in,abc\nMW-22009,100,box,C\nMW-13001,0.5,,\n"); got.status != 200 || !strings.Contains(bare(got.body), "Write 2 rows") {
		t.Errorf("%d %s", got.status, bare(got.body))
	}
	if got := try(s.asManager, "catalogue", "part,shelf months,tracking\nMW-22009,long,\nMW-13001,,somehow\n"); got.status != 422 || !strings.Contains(bare(got.body), "whole number of months") {
		t.Errorf("%d %s", got.status, bare(got.body))
	}
	// what a price has of decimals is the same on the way in and out, by its currency
	priced := try(s.asManager, "orders", heads+"Far,QDW,WH,MW-22004,50,,10.50,RSD,\nFar,QDW,WH,MW-13001,1,,1250,JPY,\nFar-2,QDW,WH,MW-22004,50,,1.205,KWD,\nFar-2,QDW,WH,MW-13001,1,,0.0125,UYW,\n")
	if accept(s.asManager, priced.body); priced.status != 200 || s.count(t, "select sum(price_minor)::int as n from supplier_order_price where currency in ('RSD', 'JPY', 'KWD', 'UYW')") != 1050+1250+1205+125 {
		t.Errorf("far currencies: %d %s", priced.status, bare(priced.body))
	}
	out := s.asManager.get("/stock/lists/orders.csv").body
	for _, want := range []string{",10.50,RSD,", ",1250,JPY,", ",1.205,KWD,", ",0.0125,UYW,"} {
		if !strings.Contains(out, want) {
			t.Errorf("%s is not in %s", want, out)
		}
	}
	for _, kind := range []string{"catalogue", "stock", "orders"} {
		out := s.asManager.get("/stock/lists/" + kind + ".csv")
		if out.status != 200 || !strings.HasPrefix(out.head.Get("Content-Type"), "text/csv") {
			t.Fatalf("%s: %d", kind, out.status)
		}
		if back := try(s.asManager, kind, out.body); back.status != 200 || !strings.Contains(bare(back.body), "Everything in it is on record already") {
			t.Errorf("%s does not come back: %d %s", kind, back.status, bare(back.body))
		}
	}
	book := s.asManager.get("/stock/lists.xlsx")
	if back := try(s.asManager, "catalogue", book.body); book.status != 200 || back.status != 200 || !strings.Contains(bare(back.body), "Everything in it is on record already") {
		t.Errorf("the workbook does not come back: %d, %d %s", book.status, back.status, bare(back.body))
	}
	// a title page before the list, longer than one looks for heads
	cover := excelize.NewFile()
	for i := range 60 {
		if err := cover.SetCellValue("Sheet1", fmt.Sprintf("A%d", i+1), "What this is about"); err != nil {
			t.Fatal(err)
		}
	}
	if got := try(s.asClerk, "stock", workbookOf(t, cover)); got.status != 422 || !strings.Contains(bare(got.body), "one of the first 40 rows of any sheet has the heads of") {
		t.Errorf("a workbook without a list: %d %s", got.status, bare(got.body))
	}
	if _, err := cover.NewSheet("List"); err != nil {
		t.Fatal(err)
	}
	for i, row := range [][]any{{"Location", "Part", "Amount"}, {"WH", "MW-22004", 120}} {
		if err := cover.SetSheetRow("List", fmt.Sprintf("A%d", i+1), &row); err != nil {
			t.Fatal(err)
		}
	}
	if got := try(s.asClerk, "stock", workbookOf(t, cover)); got.status != 200 || !strings.Contains(bare(got.body), "Everything in it is on record already") {
		t.Errorf("a list behind its title page: %d %s", got.status, bare(got.body))
	}
	if got := try(s.asClerk, "stock", strings.Repeat("about this\n", 60)); got.status != 422 || !strings.Contains(bare(got.body), "one of the first 40 rows has the heads of") {
		t.Errorf("a text: %d %s", got.status, bare(got.body))
	}
	if got := try(s.asClerk, "stock", "location,part,amount\nWH,M\aW,1\n"); got.status != 422 || !strings.Contains(bare(got.body), "names no part on record") {
		t.Errorf("a bell in a number: %d %s", got.status, bare(got.body))
	}
	for _, path := range []string{"/stock/lists", "/stock/lists/stock.csv", "/stock/lists.xlsx"} {
		if got := s.asOwner.get(path); got.status != 403 {
			t.Errorf("the owner at %s: %d", path, got.status)
		}
	}
	if got := s.asClerk.get("/stock/lists/everything.csv"); got.status != 404 {
		t.Errorf("%d", got.status)
	}
	if found, err := stock.Verify(ctx, s.db, access.System); err != nil || len(found) > 0 {
		t.Errorf("the ledger: %v %v", found, err)
	}
}
